//go:build campaign

package detect

import (
	"math"
	"math/rand/v2"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/feature"
)

// healthyCase is one way in which the epochs of a healthy pump may come.
type healthyCase struct {
	name  string
	learn int // epochs
	// ar is the correlation of an epoch's noise with that of the epoch before.
	ar float64
	// heavy draws the noise from a t distribution with 4 degrees of freedom, of the same variance.
	heavy bool
	// lumps is the share of epochs whose noise is ten times as large.
	lumps float64
	// regimes redraws the offsets at random, every 36 h on average, with a new operating point where seen is set.
	regimes, seen bool
	// drift moves the operating point out of what was learned, and back, in a year.
	drift bool
	// beds lets every feature start one and a half regime offsets away from where it settles in the course of some weeks.
	beds bool
}

var healthyCases = []healthyCase{
	{name: "normal, learned from 50", learn: 50},
	{name: "normal, learned from 100", learn: 100},
	{name: "normal, learned from 500", learn: 500},
	{name: "AR(1) 0.3", learn: 100, ar: 0.3},
	{name: "AR(1) 0.6", learn: 100, ar: 0.6},
	{name: "AR(1) 0.9", learn: 100, ar: 0.9},
	{name: "t, 4 degrees of freedom", learn: 100, heavy: true},
	{name: "1 % ten times as noisy", learn: 100, lumps: 0.01},
	{name: "regime offsets, with a new operating point", learn: 100, regimes: true, seen: true},
	{name: "regime offsets, unseen", learn: 100, regimes: true},
	{name: "regime offsets, unseen, learned from 500", learn: 500, regimes: true},
	{name: "bedding in for weeks", learn: 100, beds: true},
	{name: "drift beyond the learned box", learn: 100, drift: true},
	{name: "all of it: AR(1) 0.6, t, 1 %, seen regimes, drift", learn: 100, ar: 0.6, heavy: true, lumps: 0.01, regimes: true, seen: true, drift: true},
}

// healthyPump says what a feature of the simulated healthy pump does, in the coordinates of package baseline: its level, how that
// bends with head and air, the spread of its offsets from one regime to another (2 % of the rate, 0.01 of asymmetry), and the
// noise of an epoch, of which half (as a standard deviation) is known to the epoch as its standard error. The figures are
// common practice. What has none is not simulated: there is no flow meter.
var healthyPump = [feature.NumFeatures]struct {
	coef                [baseline.NumBasis]float64
	vary, offset, noise float64
}{
	feature.StrokeRate:      {[4]float64{0.6, 0.6, 0.05, 0.5}, 0.3, 0.02, 0.01},
	feature.Asymmetry:       {[4]float64{0, 0.005, 0, 0.005}, 0.02, 0.01, 0.003},
	feature.Dispersion:      {[4]float64{-4.2, 0.1, 0, 0.1}, 0.4, 0.1, 0.15},
	feature.Hesitation:      {[4]float64{-3.6, 0.1, 0, 0.1}, 0.4, 0.1, 0.25},
	feature.Ripple:          {[4]float64{-1.6, 0.5, 0.05, 0.2}, 0.5, 0.04, 0.02},
	feature.RippleAsymmetry: {[4]float64{0, 0.01, 0, 0.01}, 0.03, 0.02, 0.01},
	feature.DipDepth:        {[4]float64{-2.8, 0.1, 0, 0.2}, 0.4, 0.04, 0.03},
	feature.DipWidth:        {[4]float64{-3.3, 0.1, 0, 0.1}, 0.4, 0.04, 0.05},
	feature.Dwell:           {[4]float64{0, 0.01, 0, 0.01}, 0.1, 0.008, 0.005},
	feature.DwellAsymmetry:  {[4]float64{0, 0.005, 0, 0.005}, 0.02, 0.004, 0.003},
}

// healthyStream makes the epochs of one healthy pump, one an hour.
type healthyStream struct {
	healthyCase
	rng   *rand.Rand
	n     int
	level baseline.Vector
	// noise is the standardised noise of the epoch before, offset the present regime's.
	noise, offset baseline.Vector
	// bed is how far a new pump starts off.
	bed baseline.Vector
	// inlet and discharge are the pressures that the present regime is set to, bar gauge; wander is how far off them the pump is.
	inlet, discharge, wanderInlet, wanderDischarge float64
}

func newHealthyStream(c healthyCase, seed uint64) *healthyStream {
	s := &healthyStream{healthyCase: c, rng: rand.New(rand.NewPCG(seed, 5)), inlet: 5.5, discharge: 3.2}
	for j, p := range healthyPump {
		s.level[j] = p.coef[0] + p.vary*s.rng.NormFloat64()
		s.noise[j] = s.standard()
	}
	if c.beds {
		for j, p := range healthyPump {
			s.bed[j] = 1.5 * p.offset * float64(2*s.rng.IntN(2)-1)
		}
	}
	if c.regimes {
		s.regime()
	}
	return s
}

// standard is a draw of the case's distribution, with mean 0 and variance 1.
func (s *healthyStream) standard() float64 {
	z := s.rng.NormFloat64()
	if !s.heavy {
		return z
	}
	chi := 0.0
	for range 4 {
		g := s.rng.NormFloat64()
		chi += g * g
	}
	return z / math.Sqrt(chi/4) / math.Sqrt2 // the variance of t with 4 degrees of freedom is 2
}

// regime sets a new regime.
func (s *healthyStream) regime() {
	for j, p := range healthyPump {
		s.offset[j] = p.offset * s.rng.NormFloat64()
	}
	if s.seen {
		s.inlet, s.discharge = 5+s.rng.Float64(), 2+2*s.rng.Float64()
	}
}

var campaignStart = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func (s *healthyStream) next() feature.Epoch {
	const bar = 1e5
	start := campaignStart.Add(time.Duration(s.n) * time.Hour)
	if s.regimes && s.rng.Float64() < 1/36.0 {
		s.regime()
	}
	const slow = 0.9
	s.wanderInlet = slow*s.wanderInlet + math.Sqrt(1-slow*slow)*0.08*s.rng.NormFloat64()
	s.wanderDischarge = slow*s.wanderDischarge + math.Sqrt(1-slow*slow)*0.2*s.rng.NormFloat64()
	inlet, discharge := s.inlet+s.wanderInlet, s.discharge+s.wanderDischarge
	if s.drift && s.n > s.learn {
		away := math.Abs(math.Mod(float64(s.n-s.learn)/(365.25*24)+0.5, 1)-0.5) * 2 // 0, 1 after half a year, 0 after a year
		inlet += 0.8 * away
		discharge += 1.2 * away
	}
	bedding := math.Exp(-float64(s.n) / (7 * 24))
	s.n++

	phi := baseline.OpOf(inlet*bar, discharge*bar).Basis()
	size := 1.0
	if s.rng.Float64() < s.lumps {
		size = 10
	}
	e := feature.Epoch{
		Start: start, End: start.Add(time.Minute), State: feature.Running, Strokes: 120, Anchored: true,
		Inlet:     feature.Value{V: inlet * bar, Valid: true},
		Discharge: feature.Value{V: discharge * bar, Valid: true},
	}
	for j, p := range healthyPump {
		if p.noise == 0 {
			continue
		}
		s.noise[j] = s.ar*s.noise[j] + math.Sqrt(1-s.ar*s.ar)*s.standard()
		x := s.level[j] + s.offset[j] + s.bed[j]*bedding + size*p.noise*s.noise[j]
		for i := 1; i < baseline.NumBasis; i++ {
			x += p.coef[i] * phi[i]
		}
		f := feature.ID(j)
		v := baseline.Natural(f, x)
		e.Features[j] = feature.Value{V: v, SE: math.Abs(baseline.Natural(f, x+p.noise/2) - v), Valid: true}
	}
	return e
}
