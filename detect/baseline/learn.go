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

// fit chooses spread and noise of coordinate j on a grid of ratios to the prior's, and keeps the regression that they
// give: the largest spread that the data do not clearly refute, for a short stretch with few regimes says little of it,
// and the noise that suits it best. So a short stretch costs delay and not false tickets.
func (h *Healthy) fit(j int, p prior, samples []Sample) {
	const refuted = 2.0 // below the best log posterior
	type point struct{ a, b, density float64 }
	var grid []point
	best := math.Inf(-1)
	for a := -1.0; a <= 1; a += 0.25 { // octaves
		for b := -3.0; b <= 3; b += 0.25 {
			_, density := learn(j, p, a, b, samples)
			grid = append(grid, point{a, b, density})
			best = max(best, density)
		}
	}
	var chosen point
	for i, g := range grid {
		if i == 0 || g.density >= best-refuted && (g.a > chosen.a || g.density > chosen.density) {
			chosen = g
		}
	}
	f, _ := learn(j, p, chosen.a, chosen.b, samples)
	h.Coef[j], h.Offset[j], h.OffsetVar[j] = f.result()
}

// learn runs the learner of coordinate j over the samples, spread and noise being a and b octaves above the prior's, and
// gives the log posterior density of the two.
func learn(j int, p prior, a, b float64, samples []Sample) (*learner, float64) {
	f := newLearner(p, p.offset*math.Exp2(a), p.noise*math.Exp2(b))
	density := -0.5*(a/spreadOctaves)*(a/spreadOctaves) - 0.5*(b/noiseOctaves)*(b/noiseOctaves)
	for _, s := range samples {
		if !s.Obs.Has[j] {
			continue
		}
		keep := 1.0
		if f.begun {
			keep = Keep(f.op, s.Obs.Op, s.At.Sub(f.at))
		}
		density += f.step(s, j, keep)
	}
	return f, density
}

// spreadOctaves and noiseOctaves are the prior standard deviations of the logarithms (base 2) of the two.
const (
	spreadOctaves = 0.75
	noiseOctaves  = 1.5
)

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

// learnState is the size of the learner's state: the coefficients and the offset.
const learnState = NumBasis + 1

// learner is a Kalman filter over the regression coefficients and the present regime's offset of one
// coordinate, with observations weighted as under a t distribution.
type learner struct {
	x             [learnState]float64
	p             [learnState][learnState]float64
	spread, noise float64
	op            Op
	at            time.Time
	begun         bool
}

func newLearner(p prior, spread, noise float64) *learner {
	f := &learner{spread: spread, noise: noise}
	for i := range NumBasis {
		f.x[i] = p.mean[i]
		f.p[i][i] = p.sd[i] * p.sd[i]
	}
	f.p[NumBasis][NumBasis] = spread * spread
	return f
}

// step takes one epoch and returns its predictive log density.
func (f *learner) step(s Sample, j int, keep float64) float64 {
	const u = NumBasis
	for i := range learnState {
		f.p[i][u] *= keep
		f.p[u][i] *= keep
	}
	f.x[u] *= keep
	f.p[u][u] += (1 - keep*keep) * f.spread * f.spread
	f.op, f.at, f.begun = s.Obs.Op, s.At, true

	phi := s.Obs.Op.Basis()
	var hx [learnState]float64
	copy(hx[:], phi[:])
	hx[u] = 1
	e := s.Obs.Val[j]
	var ph [learnState]float64
	for i := range learnState {
		e -= hx[i] * f.x[i]
		for k := range learnState {
			ph[i] += f.p[i][k] * hx[k]
		}
	}
	r := f.noise*f.noise + s.Obs.Var[j]
	v := r
	for i := range learnState {
		v += hx[i] * ph[i]
	}
	ll, weight := TDensity(e*e/v, math.Log(v), 1)
	v += r * (1/weight - 1)
	for i := range learnState {
		for k := range learnState {
			f.p[i][k] -= ph[i] * ph[k] / v
		}
	}
	for i := range learnState {
		f.x[i] += ph[i] * e / v
	}
	return ll
}

// result gives the regression, and for the last operating point the mean of the offset and the variance of
// offset and regression together.
func (f *learner) result() (c Coef, offset, offsetVar float64) {
	copy(c.Mean[:], f.x[:NumBasis])
	for i := range NumBasis {
		copy(c.Cov[i][:], f.p[i][:NumBasis])
	}
	c.Spread, c.Noise = f.spread, f.noise
	return c, f.x[NumBasis], max(0, f.outlook(f.op.Basis()))
}

// outlook is the variance of what an epoch without noise would show.
func (f *learner) outlook(phi [NumBasis]float64) float64 {
	v := 0.0
	h := append(phi[:], 1)
	for i := range learnState {
		for k := range learnState {
			v += h[i] * f.p[i][k] * h[k]
		}
	}
	return v
}
