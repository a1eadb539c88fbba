// Package baseline knows the healthy pump: what each feature of this pump would be at an operating
// point, how sure that is, and how far a valve setting, a hose or a header may move it without wear.
package baseline

import (
	"math"

	"diastole/detect/feature"
)

// Dim is the number of coordinates; there is one for each feature.
const Dim = int(feature.NumFeatures)

// Vector holds one number per feature, in coordinates (see Observe).
type Vector [Dim]float64

// Observation is an epoch in coordinates: features of which only ratios mean something are taken as
// logarithms, so that an effect of the pump's size drops out and noise is nearly constant.
type Observation struct {
	Op  Op
	Val Vector
	// Var is the variance that the feature's own standard error contributes.
	Var Vector
	Has [Dim]bool
	// SignFree tells that the signs of the asymmetries are not known.
	SignFree bool
}

// scale says how a feature becomes a coordinate: ln(V + floor) where log is true, else V. The floors keep
// a scatter of nothing at all finite; they lie at the scatter of a crisp valve sampled at 100 Hz.
var scale = [feature.NumFeatures]struct {
	log   bool
	floor float64
}{
	feature.StrokeRate:   {log: true},
	feature.Dispersion:   {log: true, floor: 0.005},
	feature.Hesitation:   {log: true, floor: 0.01},
	feature.Ripple:       {log: true, floor: 0.001},
	feature.DipDepth:     {log: true, floor: 0.001},
	feature.DipWidth:     {log: true, floor: 0.001},
	feature.AirPerStroke: {log: true, floor: 1e-9},
}

// Observe turns an epoch into coordinates. It reports false where the epoch cannot be judged: the pump
// was not running, or one of the two pressures that make the operating point is missing.
func Observe(e feature.Epoch) (Observation, bool) {
	if e.State != feature.Running || !e.Inlet.Valid || !e.Discharge.Valid {
		return Observation{}, false
	}
	o := Observation{Op: OpOf(e.Inlet.V, e.Discharge.V), SignFree: !e.Anchored}
	for f := range feature.NumFeatures {
		v := e.Features[f]
		if !v.Valid || math.IsNaN(v.V) || math.IsInf(v.V, 0) {
			continue
		}
		x, slope := v.V, 1.0
		if s := scale[f]; s.log {
			if x+s.floor <= 0 {
				continue
			}
			slope = 1 / (x + s.floor)
			x = math.Log(x + s.floor)
		}
		o.Val[f], o.Var[f], o.Has[f] = x, (v.SE*slope)*(v.SE*slope), true
	}
	return o, o.Has[feature.StrokeRate]
}

// Natural turns a coordinate of feature f back into the feature's own unit.
func Natural(f feature.ID, x float64) float64 {
	if s := scale[f]; s.log {
		return math.Exp(x) - s.floor
	}
	return x
}

// Mirrored is the observation with A and B exchanged.
func (o Observation) Mirrored() Observation {
	o.Val[feature.Asymmetry] = -o.Val[feature.Asymmetry]
	o.Val[feature.RippleAsymmetry] = -o.Val[feature.RippleAsymmetry]
	o.Val[feature.DwellAsymmetry] = -o.Val[feature.DwellAsymmetry]
	return o
}
