package life

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is an estimate with its two-sided confidence bounds.
type Interval struct{ Low, Value, High float64 }

// Every bound here is by the normal approximation of a logarithm with the observed Fisher information (Meeker, Escobar and
// Pascual, Statistical Methods for Reliability Data, ch. 8): never below 0, and good to a few per cent of confidence from some
// ten failures on. With fewer, Posterior says more.

// ShapeInterval is the shape with bounds of a confidence between 0 and 1.
func (e Estimate) ShapeInterval(confidence float64) Interval {
	return around(e.Shape, e.LogShapeSE, confidence)
}

// ScaleInterval is the scale with bounds of a confidence between 0 and 1.
func (e Estimate) ScaleInterval(confidence float64) Interval {
	return around(e.Scale, e.LogScaleSE, confidence)
}

// QuantileInterval is Quantile(p), 0 < p < 1, with bounds of a confidence between 0 and 1. Its logarithm is
// ln scale + ln(-ln(1-p))/shape, of which the variance follows by the delta method.
func (e Estimate) QuantileInterval(p, confidence float64) Interval {
	d := -math.Log(-math.Log1p(-p)) / e.Shape // derivative with respect to ln shape
	v := e.LogScaleSE*e.LogScaleSE + d*d*e.LogShapeSE*e.LogShapeSE + 2*d*e.Correlation*e.LogScaleSE*e.LogShapeSE
	return around(e.Quantile(p), math.Sqrt(v), confidence)
}

func around(value, logSE, confidence float64) Interval {
	f := math.Exp(distuv.UnitNormal.Quantile((1+confidence)/2) * logSE)
	return Interval{value / f, value, value * f}
}
