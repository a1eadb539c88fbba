// Package life reckons with the lives of parts: how long they last, when it pays to renew them before they fail, and how
// many kits the shelf must hold. A life may be in any unit (strokes, hours), as long as one stays with it.
package life

import "math"

// Weibull is a Weibull distribution of lives: a share exp(-(t/Scale)^Shape) of the parts outlives t. Both are above 0; Scale
// has the unit of a life. Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.6.2.
type Weibull struct {
	Shape, Scale float64
}

// CumulativeHazard is (t/Scale)^Shape, 0 for a t that is not above 0.
func (w Weibull) CumulativeHazard(t float64) float64 {
	if !(t > 0) {
		return 0
	}
	return math.Pow(t/w.Scale, w.Shape)
}

// Survival is the share of parts that outlives t.
func (w Weibull) Survival(t float64) float64 { return math.Exp(-w.CumulativeHazard(t)) }

// Hazard is the failure rate at t > 0, per unit of life: Shape/Scale (t/Scale)^(Shape-1).
func (w Weibull) Hazard(t float64) float64 {
	return w.Shape / w.Scale * math.Pow(t/w.Scale, w.Shape-1)
}

// Quantile is the life that a share p of the parts, 0 <= p < 1, does not reach: Scale (-ln(1-p))^(1/Shape). Quantile(0.1) is
// the B10 life.
func (w Weibull) Quantile(p float64) float64 {
	return w.Scale * math.Pow(-math.Log1p(-p), 1/w.Shape)
}

// Mean is the mean life, Scale Gamma(1+1/Shape).
func (w Weibull) Mean() float64 { return w.Scale * math.Gamma(1+1/w.Shape) }

// SD is the standard deviation of lives, Scale sqrt(Gamma(1+2/Shape) - Gamma(1+1/Shape)^2).
func (w Weibull) SD() float64 {
	g := math.Gamma(1 + 1/w.Shape)
	return w.Scale * math.Sqrt(math.Gamma(1+2/w.Shape)-g*g)
}

// Reliability is the probability that a part of an age lasts another stretch: R(age+more)/R(age).
func (w Weibull) Reliability(age, more float64) float64 {
	return math.Exp(w.CumulativeHazard(age) - w.CumulativeHazard(age+max(0, more)))
}

// Remaining is how much longer a part of an age lasts with probability 1-p, 0 <= p < 1: the p quantile of the remaining life.
func (w Weibull) Remaining(age, p float64) float64 {
	age = max(0, age)
	h := w.CumulativeHazard(age)
	if spent := -math.Log1p(-p); spent < 1e-6*h { // the difference of two near numbers, by its first term
		return spent / w.Hazard(age)
	}
	return w.Scale*math.Pow(h-math.Log1p(-p), 1/w.Shape) - age
}
