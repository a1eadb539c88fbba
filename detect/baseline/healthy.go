package baseline

import (
	"math"
	"time"
)

// Healthy is the pump as it was learned: per coordinate a Bayesian regression over the operating point,
// the spread of regime offsets, and the noise of one epoch.
type Healthy struct {
	Coef [Dim]Coef
	// Known tells for which coordinates enough was seen to judge by them.
	Known [Dim]bool
	// Last, At and Offset are where learning ended: the operating point, its time, and what was then known
	// of the regime's offset (mean and variance).
	Last      Op
	At        time.Time
	Offset    Vector
	OffsetVar Vector
	// Bias is the variance of the error of the level that was learned, which all regimes share: the least that the regression is
	// in doubt of at any operating point. BiasCov is its covariance with the offset where learning ended.
	Bias, BiasCov Vector
}

// Coef is the regression of one coordinate.
type Coef struct {
	Mean [NumBasis]float64
	Cov  [NumBasis][NumBasis]float64
	// Spread is the standard deviation of regime offsets, Noise that of an epoch beyond its standard error.
	Spread, Noise float64
}

// Expect gives for an operating point the expected coordinates, and the variance with which a regime there
// may be offset: the spread of regimes and what the regression does not know, which grows outside of what
// was learned.
func (h *Healthy) Expect(op Op) (mean, offsetVar Vector) {
	phi := op.Basis()
	for j := range Dim {
		c := &h.Coef[j]
		mean[j] = dot(phi, c.Mean)
		offsetVar[j] = c.Spread*c.Spread + quad(phi, c.Cov)
	}
	return mean, offsetVar
}

// NoiseVar is the variance of one epoch's coordinates about expectation plus offset.
func (h *Healthy) NoiseVar(o Observation) Vector {
	var v Vector
	for j := range Dim {
		v[j] = h.Coef[j].Noise*h.Coef[j].Noise + o.Var[j]
	}
	return v
}

// Sigma is the standard deviation with which a healthy epoch in a new regime lies about its expectation.
func (h *Healthy) Sigma(o Observation) Vector {
	_, v := h.Expect(o.Op)
	n := h.NoiseVar(o)
	for j := range Dim {
		v[j] = math.Sqrt(v[j] + n[j])
	}
	return v
}

func dot(a, b [NumBasis]float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

func quad(a [NumBasis]float64, m [NumBasis][NumBasis]float64) float64 {
	s := 0.0
	for i := range a {
		for k := range a {
			s += a[i] * m[i][k] * a[k]
		}
	}
	return s
}
