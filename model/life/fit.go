package life

import (
	"errors"
	"fmt"
	"math"
)

// Unit is one part that was watched: for how long, and whether it failed then. One that did not fail was taken out while it was
// good, or still runs (right-censored).
type Unit struct {
	Life   float64
	Failed bool
}

// ErrFewFailures is what Fit gives where a shape cannot be known: fewer than two failures, or all at the same life with nothing
// that outlived it. Prior.Posterior serves there.
var ErrFewFailures = errors.New("too few failures to fit a Weibull distribution")

// Estimate is a Weibull distribution fitted to units by maximum likelihood.
type Estimate struct {
	Weibull
	Units, Failures int
	// LogLikelihood is at the maximum; AIC is 4 less twice it.
	LogLikelihood float64
	// LogScaleSE and LogShapeSE are standard errors of the logarithms of scale and shape, Correlation that between them, from the
	// observed Fisher information.
	LogScaleSE, LogShapeSE, Correlation float64
}

// AIC is Akaike's information criterion, 2*2 - 2 LogLikelihood.
func (e Estimate) AIC() float64 { return 4 - 2*e.LogLikelihood }

// Fit finds the shape and scale of greatest likelihood. With the scale eliminated, the shape is the one root of an increasing
// function (NIST/SEMATECH e-Handbook, 8.4.1.3; Lawless, Statistical Models and Methods for Lifetime Data, ch. 4). It fails on a
// life that is not above 0, naming the unit by its place from 0, and with ErrFewFailures.
func Fit(units []Unit) (Estimate, error) {
	e := Estimate{Units: len(units)}
	longest, meanLog := 0.0, 0.0
	for i, u := range units {
		if !(u.Life > 0) || math.IsInf(u.Life, 1) {
			return Estimate{}, fmt.Errorf("unit %d has a life of %v; it must be above 0 and finite", i, u.Life)
		}
		longest = max(longest, u.Life)
		if u.Failed {
			e.Failures++
			meanLog += math.Log(u.Life)
		}
	}
	if e.Failures < 2 {
		return Estimate{}, fmt.Errorf("%w: %d of %d units failed", ErrFewFailures, e.Failures, len(units))
	}
	// Lives are divided by the longest, so that powers stay within 0 and 1.
	meanLog = meanLog/float64(e.Failures) - math.Log(longest)
	s := sums{units: units, scale: longest}
	score := func(shape float64) float64 {
		s0, s1, _ := s.at(shape)
		return s1/s0 - 1/shape - meanLog
	}
	const least, most = 1e-3, 1e3
	low, high := least, 1.0
	for score(high) < 0 {
		low = high
		if high *= 2; high > most {
			return Estimate{}, fmt.Errorf("%w: all %d failures are at about the same life", ErrFewFailures, e.Failures)
		}
	}
	for high-low > 1e-14*high { // halving: some fifty steps, and no case in which it goes astray
		mid := low + (high-low)/2
		if mid <= low || mid >= high {
			break
		}
		if score(mid) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	e.Shape = low + (high-low)/2
	s0, s1, s2 := s.at(e.Shape)
	r := float64(e.Failures)
	e.Scale = longest * math.Pow(s0/r, 1/e.Shape)
	e.LogLikelihood = logLikelihood(e.Weibull, units)
	e.information(r, s0, s1, s2, math.Log(e.Scale/longest))
	return e, nil
}

// sums are what likelihoods of a Weibull distribution need of the units: sums of x^shape, x^shape ln x and x^shape (ln x)^2 over
// all x = life/scale.
type sums struct {
	units []Unit
	scale float64
}

func (s sums) at(shape float64) (s0, s1, s2 float64) {
	for _, u := range s.units {
		l := math.Log(u.Life / s.scale)
		p := math.Exp(shape * l)
		s0 += p
		s1 += p * l
		s2 += p * l * l
	}
	return s0, s1, s2
}

// information inverts the observed information in (ln scale, ln shape) at the maximum. With z = shape ln(x/scale) the second
// derivatives are shape^2 sum(e^z) for the scale, r + sum(z^2 e^z) for the shape (its score being zero, sum(e^z z) - sum over
// failures of z = r), and -shape (r + sum(z e^z) - r) between them, where sum(e^z) = r.
func (e *Estimate) information(r, s0, s1, s2, logScale float64) {
	k := r / s0 // turns sums of x^shape into sums of e^z
	m1 := e.Shape * k * (s1 - logScale*s0)
	m2 := e.Shape * e.Shape * k * (s2 - 2*logScale*s1 + logScale*logScale*s0)
	a, b, c := e.Shape*e.Shape*r, -e.Shape*m1, r+m2
	det := a*c - b*b
	e.LogScaleSE, e.LogShapeSE = math.Sqrt(c/det), math.Sqrt(a/det)
	e.Correlation = -b / math.Sqrt(a*c)
}

// logLikelihood is the sum of log densities of failures and log survivals of the others.
func logLikelihood(w Weibull, units []Unit) float64 {
	sum := 0.0
	for _, u := range units {
		z := w.Shape * math.Log(u.Life/w.Scale)
		sum -= math.Exp(z)
		if u.Failed {
			sum += z + math.Log(w.Shape) - math.Log(u.Life)
		}
	}
	return sum
}
