package diagnose

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/model/advice"
	"diastole/model/pump"
)

func oneInch(t testing.TB) pump.Model {
	t.Helper()
	m, err := pump.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func hypotheses(t testing.TB) []Hypothesis {
	t.Helper()
	hs, err := Hypotheses(oneInch(t))
	if err != nil {
		t.Fatal(err)
	}
	return hs
}

func kitOf(f pump.Fault) pump.Kit { return advice.For(f, pump.SideUnknown, 0, false).Kit }

// ordinary says how the coordinates of an ordinary healthy pump lie: level, spread of its offsets from one regime to
// another, and noise of an epoch. The figures are common practice.
var ordinary = [baseline.Dim]struct{ level, offset, noise float64 }{
	feature.StrokeRate:      {0.6, 0.02, 0.01},
	feature.Asymmetry:       {0.01, 0.01, 0.003},
	feature.Dispersion:      {-4.2, 0.1, 0.15},
	feature.Hesitation:      {-3.6, 0.1, 0.25},
	feature.Ripple:          {-1.6, 0.04, 0.02},
	feature.RippleAsymmetry: {-0.02, 0.02, 0.01},
	feature.DipDepth:        {-2.8, 0.04, 0.03},
	feature.DipWidth:        {-3.3, 0.04, 0.05},
	feature.AirPerStroke:    {-7.7, 0.02, 0.01},
	feature.Dwell:           {0.1, 0.01, 0.005},
	feature.DwellAsymmetry:  {0, 0.01, 0.005},
}

// specimen is a pump that brings an epoch an hour. Its noise is heavy-tailed as is believed of pumps, or normal.
type specimen struct {
	rng      *rand.Rand
	at       time.Time
	op       baseline.Op
	offset   baseline.Vector
	airMeter bool
	normal   bool // noise
	free     bool // A and B are not anchored
}

func newSpecimen(seed uint64, airMeter bool) *specimen {
	s := &specimen{rng: rand.New(rand.NewPCG(seed, 30)), at: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), airMeter: airMeter}
	s.regime()
	return s
}

// regime sets regulator and valve anew.
func (s *specimen) regime() {
	inlet := 4.5e5 + 1e5*s.rng.Float64()
	s.op = baseline.OpOf(inlet, inlet*(0.6+0.25*s.rng.Float64()))
	for j, c := range ordinary {
		s.offset[j] = c.offset * s.rng.NormFloat64()
	}
}

// epoch is the next hour's, with an effect's shift and what it adds to the scatter.
func (s *specimen) epoch(shift, scatter baseline.Vector) (time.Time, baseline.Observation) {
	s.at = s.at.Add(time.Hour)
	o := baseline.Observation{Op: s.op, SignFree: s.free}
	tail := s.tail()
	for j, c := range ordinary {
		o.Val[j] = c.level + s.offset[j] + shift[j] + math.Hypot(c.noise, scatter[j])*tail*s.rng.NormFloat64()
		o.Has[j] = s.airMeter || feature.ID(j) != feature.AirPerStroke
	}
	if s.free && s.rng.IntN(2) == 1 {
		o = o.Mirrored()
	}
	return s.at, o
}

// tail makes an epoch's noise that of a multivariate t distribution with 5 degrees of freedom and the same variance.
func (s *specimen) tail() float64 {
	if s.normal {
		return 1
	}
	const dof = 5
	chi2 := 0.0
	for range dof {
		n := s.rng.NormFloat64()
		chi2 += n * n
	}
	return math.Sqrt((dof - 2) / chi2)
}

// learn gives the specimen's healthy pump, from some days in each of some regimes.
func (s *specimen) learn(t testing.TB) *baseline.Healthy {
	t.Helper()
	var samples []baseline.Sample
	for range 6 {
		s.regime()
		for range 12 {
			at, o := s.epoch(baseline.Vector{}, baseline.Vector{})
			samples = append(samples, baseline.Sample{At: at, Obs: o})
		}
	}
	return baseline.Learn(oneInch(t), samples)
}

// stock are pumps that have just been learned, to be watched again and again.
type stock struct {
	specimens []specimen
	healthy   []*baseline.Healthy
}

func newStock(t testing.TB, pumps int, airMeter bool) stock {
	t.Helper()
	var out stock
	for seed := range pumps {
		s := newSpecimen(uint64(seed), airMeter)
		out.healthy = append(out.healthy, s.learn(t))
		out.specimens = append(out.specimens, *s)
	}
	return out
}

// take gives the i-th pump as it was when learning ended, with chance of its own from now on, and a bank to watch it.
func (st stock) take(i int, hs []Hypothesis) (*specimen, *Bank) {
	s := st.specimens[i]
	s.rng = rand.New(rand.NewPCG(uint64(i), 31))
	return &s, NewBank(st.healthy[i], hs, epochsPerYear, budget)
}

const (
	epochsPerYear = 365.25 * 24 // an epoch an hour
	budget        = 0.05        // the contract's default
)

// show lets the bank see up to a number of epochs of an effect, until enough says so.
func (s *specimen) show(b *Bank, epochs int, e chart.Effect, enough func() bool) {
	for range epochs {
		b.Update(s.epoch(e.Mean, e.Scatter))
		if enough() {
			return
		}
	}
}

func never() bool { return false }

// ticket is the kit that a bank would have pulled, or none.
func ticket(b *Bank) pump.Kit {
	v := b.Verdict(kitOf)
	if v.BestFault < 0 || v.FaultScore <= b.Threshold || v.KitProbability < 0.9 {
		return ""
	}
	return kitOf(b.hypotheses[v.BestFault].Fault)
}
