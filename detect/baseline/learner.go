package baseline

import (
	"math"
	"time"

	"gonum.org/v1/gonum/mat"
)

// learnState is the size of the learner's state: the coefficients and the offset.
const learnState = NumBasis + 1

// learner is a Kalman filter over the regression coefficients and the present regime's offset of one
// coordinate, with observations weighted as under a t distribution.
type learner struct {
	x             [learnState]float64
	p             [learnState][learnState]float64
	spread, noise float64
	// lump is the variance of what a lump does: ten times the usual, whatever spread and noise are.
	lump  float64
	op    Op
	at    time.Time
	begun bool
}

func newLearner(p prior, spread, noise float64) *learner {
	f := &learner{spread: spread, noise: noise, lump: 100 * (p.offset*p.offset + p.noise*p.noise)}
	for i := range NumBasis {
		f.x[i] = p.mean[i]
		f.p[i][i] = p.sd[i] * p.sd[i]
	}
	f.p[NumBasis][NumBasis] = spread * spread
	return f
}

// step takes one epoch and returns its predictive log density: that of the mixture of the regime going on, of a new one, drawn unseen, and of a lump that says nothing. The most probable of them is kept.
func (f *learner) step(s *Sample, j int) float64 {
	const u = NumBasis
	unseen := 0.0
	if f.begun {
		dt := s.At.Sub(f.at)
		f.move(Keep(f.op, s.Obs.Op, dt))
		unseen = UnseenChange(dt)
	}
	f.op, f.at, f.begun = s.Obs.Op, s.At, true

	phi := s.Obs.Op.Basis()
	noise := f.noise*f.noise + s.Obs.Var[j]
	e, known, cross := s.Obs.Val[j], 0.0, 0.0 // off the regression alone, the variance of what that does not know
	for i := range NumBasis {
		e -= phi[i] * f.x[i]
		cross += phi[i] * f.p[i][u]
		for k := range NumBasis {
			known += phi[i] * f.p[i][k] * phi[k]
		}
	}
	going := known + 2*cross + f.p[u][u] + noise
	q := (e - f.x[u]) * (e - f.x[u])
	on, weight := TDensity(q/going, math.Log(going), 1)
	on += math.Log(1 - lumps - unseen)
	astray := math.Log(lumps) + logNormal(q, going+f.lump)
	anew := math.Inf(-1)
	if unseen > 0 {
		anew = math.Log(unseen) + logNormal(e*e, known+f.spread*f.spread+noise)
	}
	if anew > max(on, astray) {
		f.move(0)
		weight = 1
	}
	if max(on, anew) >= astray {
		f.absorb(phi, e-f.x[u], noise/weight)
	}
	top := max(on, anew, astray)
	return top + math.Log(math.Exp(on-top)+math.Exp(anew-top)+math.Exp(astray-top))
}

// lumps is the share of epochs that say nothing of the pump: something passes, or a valve is half turned (common practice).
const lumps = 0.005

// logNormal is the log density of a normal distribution at the square q of a distance from its mean.
func logNormal(q, variance float64) float64 {
	return -0.5 * (q/variance + math.Log(2*math.Pi*variance))
}

// move carries the offset on: keep is the correlation of the old with the new.
func (f *learner) move(keep float64) {
	const u = NumBasis
	for i := range NumBasis {
		f.p[i][u] *= keep
		f.p[u][i] *= keep
	}
	f.x[u] *= keep
	f.p[u][u] = keep*keep*f.p[u][u] + (1-keep*keep)*f.spread*f.spread
}

// absorb is the Kalman update by an epoch that is e off what was expected with the offset.
func (f *learner) absorb(phi [NumBasis]float64, e, noise float64) {
	var h, ph [learnState]float64
	copy(h[:], phi[:])
	h[NumBasis] = 1
	v := noise
	for i := range learnState {
		for k := range learnState {
			ph[i] += f.p[i][k] * h[k]
		}
		v += h[i] * ph[i]
	}
	for i := range learnState {
		f.x[i] += ph[i] * e / v
		for k := range learnState {
			f.p[i][k] -= ph[i] * ph[k] / v
		}
	}
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

// bias is the variance of the regression's error where it is least over all operating points, if the constant is left as it is,
// and the covariance of that error with what an epoch without noise would show now. Elsewhere the error is this one and
// one more that does not go with it, for where a quadratic form is least its slope is nothing.
func (f *learner) bias() (variance, covariance float64) {
	const n = NumBasis - 1
	slopes, cross := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		cross.SetVec(i, -f.p[i+1][0])
		for k := range i + 1 {
			slopes.SetSym(i, k, f.p[i+1][k+1])
		}
	}
	var chol mat.Cholesky
	var least mat.VecDense
	if !chol.Factorize(slopes) || chol.SolveVecTo(&least, cross) != nil {
		return 0, 0 // not known as a part of its own: all of it counts with the offsets
	}
	phi := [NumBasis]float64{1}
	copy(phi[1:], least.RawVector().Data)
	for i := range NumBasis {
		covariance += phi[i] * f.p[i][NumBasis]
		for k := range NumBasis {
			variance += phi[i] * f.p[i][k] * phi[k]
		}
	}
	return variance, variance + covariance
}
