package baseline

import (
	"math"
	"time"

	"diastole/detect/feature"
	"diastole/model/pump"
)

// Sample is one epoch of the learning stretch.
type Sample struct {
	At  time.Time
	Obs Observation
}

// minLearn is how many valid epochs a coordinate needs to be judged by: fewer cannot tell its noise from its offset.
const minLearn = 12

// Learn fits the healthy pump to the epochs of the learning stretch, in time order. The spread of regime
// offsets and the noise are those of highest posterior density (empirical Bayes, the marginal likelihood
// being that of a Kalman filter over [coefficients, offset]); outlying epochs weigh less, as under a t
// distribution, for a healthy stretch is never quite clean.
func Learn(m pump.Model, samples []Sample) *Healthy { return LearnAfter(m, nil, samples) }

// LearnAfter is Learn for a rebuilt pump: the best that it has been, where it is not nil, is the prior, widened by what a
// rebuild may move.
func LearnAfter(m pump.Model, best *Healthy, samples []Sample) *Healthy {
	samples = signed(samples)
	priors := priorsOf(m)
	if best != nil {
		priors = after(best, priors)
	}
	h := &Healthy{}
	for j := range Dim {
		n := 0
		for _, s := range samples {
			if s.Obs.Has[j] {
				n++
			}
		}
		h.Known[j] = n >= minLearn
		if h.Known[j] {
			h.fit(j, priors[j], samples)
		}
	}
	if len(samples) > 0 {
		last := samples[len(samples)-1]
		h.Last, h.At = last.Obs.Op, last.At
	}
	return h
}

// fit chooses spread and noise of coordinate j on a grid of octaves about the prior's, and keeps the regression that they
// give: the largest spread that the data do not clearly refute, for a short stretch with few regimes says little of it,
// and the noise that suits it best. So a short stretch costs delay and not false tickets.
func (h *Healthy) fit(j int, p prior, samples []Sample) {
	const refuted = 2.0 // below the best log posterior
	var noise, density [2*spreadReach/spreadStep + 1]float64
	b := scan(func(b float64) float64 { return posterior(j, p, 0, b, samples) })
	best := math.Inf(-1)
	for i := range density {
		a := float64(i)*spreadStep - spreadReach
		b, density[i] = climb(b, noiseStep, func(b float64) float64 { return posterior(j, p, a, b, samples) })
		noise[i] = b
		best = max(best, density[i])
	}
	chosen := len(density) - 1
	for density[chosen] < best-refuted {
		chosen--
	}
	a := float64(chosen)*spreadStep - spreadReach
	b, _ = climb(noise[chosen], noiseStep/2, func(b float64) float64 { return posterior(j, p, a, b, samples) })
	f, _ := learn(j, p, a, b, samples)
	h.Coef[j], h.Offset[j], h.OffsetVar[j] = f.result()
	h.Bias[j], h.BiasCov[j] = f.bias()
}

// The grid is in octaves about the prior's spread and noise.
const (
	spreadReach, spreadStep = 1, 0.25
	noiseReach, noiseStep   = 3, 0.25
	// spreadOctaves and noiseOctaves are the prior standard deviations of the two.
	spreadOctaves = 0.75
	noiseOctaves  = 1.5
)

// scan is where f is largest on a coarse grid of the noise.
func scan(f func(b float64) float64) float64 {
	at, best := 0.0, math.Inf(-1)
	for b := -float64(noiseReach); b <= noiseReach; b += 2 * noiseStep {
		if y := f(b); y > best {
			at, best = b, y
		}
	}
	return at
}

// climb goes from b in steps to where f is largest nearby.
func climb(b, step float64, f func(b float64) float64) (at, best float64) {
	at, best = b, f(b)
	for _, d := range []float64{step, -step} {
		for math.Abs(at+d) <= noiseReach {
			y := f(at + d)
			if y <= best {
				break
			}
			at, best = at+d, y
		}
		if at != b {
			break
		}
	}
	return at, best
}

// posterior is the log posterior density of spread and noise, a and b octaves above the prior's.
func posterior(j int, p prior, a, b float64, samples []Sample) float64 {
	_, density := learn(j, p, a, b, samples)
	return density - 0.5*(a/spreadOctaves)*(a/spreadOctaves) - 0.5*(b/noiseOctaves)*(b/noiseOctaves)
}

// learn runs the learner of coordinate j over the samples, spread and noise being a and b octaves above the prior's, and
// gives the log likelihood of the two.
func learn(j int, p prior, a, b float64, samples []Sample) (*learner, float64) {
	f := newLearner(p, p.offset*math.Exp2(a), p.noise*math.Exp2(b))
	density := 0.0
	for i := range samples {
		if s := &samples[i]; s.Obs.Has[j] {
			density += f.step(s, j)
		}
	}
	return f, density
}

// signed chooses for every epoch whose A and B are not anchored the naming that agrees better with the epochs
// before it. Where none is anchored the first one sets the names.
func signed(samples []Sample) []Sample {
	out := make([]Sample, len(samples))
	mean, n := 0.0, 0.0
	for i, s := range samples {
		a := s.Obs.Val[feature.Asymmetry]
		if s.Obs.SignFree && s.Obs.Has[feature.Asymmetry] && math.Abs(-a-mean) < math.Abs(a-mean) {
			s.Obs = s.Obs.Mirrored()
			a = -a
		}
		if s.Obs.Has[feature.Asymmetry] {
			n++
			mean += (a - mean) / n
		}
		out[i] = s
	}
	return out
}
