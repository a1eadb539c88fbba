package life

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// ErrNoOptimum is what AgeReplacement gives where it never pays to renew a good part.
var ErrNoOptimum = errors.New("no age at which renewing a good part pays")

// Replacement is the age at which a part that has not failed is best renewed.
type Replacement struct {
	// Age has the unit of a life; CostRate and RunToFailure are costs per unit of life, with renewal at Age and without any.
	Age, CostRate, RunToFailure float64
}

// Ratio is what the policy costs relative to running to failure, below 1.
func (r Replacement) Ratio() float64 { return r.CostRate / r.RunToFailure }

// AgeReplacement finds the age t that makes the least of (planned R(t) + failure F(t)) / integral of R from 0 to t, the long-run
// cost per unit of life (Barlow and Proschan, Mathematical Theory of Reliability, 1965, ch. 4). planned is the cost of a planned
// renewal, failure that of one after a failure, both above 0. There is no finite optimum where wear does not make failures more
// frequent (shape at most 1) or a failure costs no more than a planned renewal: ErrNoOptimum.
func AgeReplacement(w Weibull, planned, failure float64) (Replacement, error) {
	switch {
	case !(planned > 0) || !(failure > 0):
		return Replacement{}, fmt.Errorf("costs are %v planned and %v after a failure; both must be above 0", planned, failure)
	case w.Shape <= 1:
		return Replacement{}, fmt.Errorf("%w: a shape of %.3g means that a worn part fails no oftener than a new one", ErrNoOptimum, w.Shape)
	case failure <= planned:
		return Replacement{}, fmt.Errorf("%w: a failure costs no more than a planned renewal", ErrNoOptimum)
	}
	// The derivative is zero where h(t) M(t) - F(t) = planned/(failure-planned), M being the mean life up to t; the left side
	// increases without end with a shape above 1. In units of scale the distribution has only its shape.
	unit := Weibull{Shape: w.Shape, Scale: 1}
	goal := planned / (failure - planned)
	excess := func(t float64) float64 { return unit.Hazard(t)*unit.meanUpTo(t) - (1 - unit.Survival(t)) - goal }
	low, high := 0.0, 1.0
	for excess(high) < 0 {
		low = high
		if high *= 2; math.IsInf(unit.Hazard(high), 1) || high > 1e9 {
			return Replacement{}, fmt.Errorf("%w: it lies beyond %.0g mean lives", ErrNoOptimum, high)
		}
	}
	for high-low > 1e-14*high {
		mid := low + (high-low)/2
		if mid <= low || mid >= high {
			break
		}
		if excess(mid) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	age := w.Scale * (low + (high-low)/2)
	r := Replacement{Age: age, RunToFailure: failure / w.Mean()}
	r.CostRate = (planned*w.Survival(age) + failure*(1-w.Survival(age))) / w.meanUpTo(age)
	return r, nil
}

// meanUpTo is the integral of the survival from 0 to t: Mean times the regularised incomplete gamma function P(1/Shape, (t/Scale)^Shape).
func (w Weibull) meanUpTo(t float64) float64 {
	x := w.CumulativeHazard(t)
	if x < 1e-8 { // too little for the gamma function: the first terms of the series
		return max(0, t) * (1 - x/(w.Shape+1))
	}
	return w.Mean() * mathext.GammaIncReg(1/w.Shape, x)
}
