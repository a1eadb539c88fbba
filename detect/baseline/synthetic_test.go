package baseline

import (
	"math"
	"math/rand/v2"
	"time"

	"diastole/model/pump"
)

// synthetic is a healthy pump whose truth is known: it is drawn from what is believed of pumps before one is seen.
type synthetic struct {
	rng  *rand.Rand
	coef [Dim]Coef

	op     Op
	at     time.Time
	offset Vector
}

// oneInch is the pump that the tests learn.
func oneInch() pump.Model {
	m, err := pump.Generic("generic-one-inch")
	if err != nil {
		panic(err)
	}
	return m
}

func newSynthetic(seed uint64) *synthetic {
	s := &synthetic{rng: rand.New(rand.NewPCG(seed, 1)), at: time.Unix(1_700_000_000, 0).UTC()}
	for j, p := range priorsOf(oneInch()) {
		c := &s.coef[j]
		for i := range NumBasis {
			c.Mean[i] = p.mean[i] + p.sd[i]*s.rng.NormFloat64()
		}
		c.Spread = p.offset * math.Exp2(clamp(spreadOctaves*s.rng.NormFloat64(), 1))
		c.Noise = p.noise * math.Exp2(clamp(noiseOctaves*s.rng.NormFloat64(), 3))
	}
	return s
}

func clamp(x, bound float64) float64 { return max(-bound, min(bound, x)) }

// somewhere is an operating point of a plant: 3 to 6.5 bar, from half the stall pressure to close below it.
func (s *synthetic) somewhere() Op {
	inlet := 3e5 + 3.5e5*s.rng.Float64()
	return OpOf(inlet, inlet*(0.5+0.45*s.rng.Float64()))
}

// move takes the pump to an operating point; its offset follows as the model says.
func (s *synthetic) move(to Op, dt time.Duration) {
	keep := Keep(s.op, to, dt)
	if s.offset == (Vector{}) {
		keep = 0 // the first regime is drawn
	}
	for j := range Dim {
		s.offset[j] = keep*s.offset[j] + math.Sqrt(1-keep*keep)*s.coef[j].Spread*s.rng.NormFloat64()
	}
	s.op, s.at = to, s.at.Add(dt)
}

// truth is what an epoch without noise shows in coordinate j in a regime without offset.
func (s *synthetic) truth(op Op, j int) float64 { return dot(op.Basis(), s.coef[j].Mean) }

// epoch is one epoch here and now, its noise t distributed as is believed.
func (s *synthetic) epoch() Sample {
	o := Observation{Op: s.op}
	chi2 := 0.0
	for range int(tailDoF) {
		n := s.rng.NormFloat64()
		chi2 += n * n
	}
	heavy := math.Sqrt((tailDoF - 2) / chi2)
	for j := range Dim {
		o.Val[j] = s.truth(s.op, j) + s.offset[j] + s.coef[j].Noise*heavy*s.rng.NormFloat64()
		o.Has[j] = true
	}
	return Sample{At: s.at, Obs: o}
}

// stretch is a learning stretch: some epochs an hour apart in each of some regimes.
func (s *synthetic) stretch(regimes, epochs int) []Sample {
	var out []Sample
	for range regimes {
		s.move(s.somewhere(), time.Hour)
		for range epochs {
			s.move(s.op, time.Hour)
			out = append(out, s.epoch())
		}
	}
	return out
}
