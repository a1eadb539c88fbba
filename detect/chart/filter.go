// Package chart decides whether a pump has changed: for each explanation a filter that predicts the next
// epoch, and the likelihood ratio of its predictions against those of the healthy pump.
package chart

import (
	"time"

	"diastole/detect/baseline"
)

const dim = baseline.Dim

// Effect is what a fault or a cause of one given size does to the coordinates: each is shifted by Mean, more or
// less. Spread is the standard deviation of that shift from pump to pump and from one operating point to another.
// The shift stays with a pump and a regime: no number of epochs averages it out. Scatter is the standard deviation
// that the effect adds from epoch to epoch (a valve that hesitates at random). The zero Effect is the healthy pump.
type Effect struct {
	Size                  float64
	Mean, Spread, Scatter baseline.Vector
	// Sudden is the probability that the effect comes from one epoch to the next, and not by slow growth.
	Sudden float64 `json:"-"`
}

// Filter is a Kalman filter over the deviation of each coordinate from what the healthy pump is expected to show:
// the offset of the present regime and the shift by an effect together. The coordinates are independent, so it is
// a mean and a variance for each. Its fields are exported to be stored.
type Filter struct {
	X, P baseline.Vector
	// Swapped tells that A and B are named the other way round than when the pump was learned.
	Swapped bool
}

// NewFilter starts where learning ended.
func NewFilter(h *baseline.Healthy) Filter {
	return Filter{X: h.Offset, P: h.OffsetVar}
}

// Begin makes a filter that takes up the deviations from f and lets the effect begin now.
func (f Filter) Begin(e *Effect) Filter {
	for j := range dim {
		f.X[j] += e.Mean[j]
		f.P[j] += e.Spread[j] * e.Spread[j]
	}
	return f
}

// Move carries the deviations to the next epoch. They return toward the effect's shift as an Ornstein-Uhlenbeck process:
// keep is their correlation, offsetVar the variance of a regime's offset at the new operating point.
func (f *Filter) Move(keep float64, offsetVar *baseline.Vector, e *Effect) {
	for j := range dim {
		f.X[j] = e.Mean[j] + keep*(f.X[j]-e.Mean[j])
		f.P[j] = keep*keep*f.P[j] + (1-keep*keep)*(offsetVar[j]+e.Spread[j]*e.Spread[j])
	}
}

// Measurement is one epoch as a filter sees it.
type Measurement struct {
	// Dev is the deviation from expectation with A and B as named, Mirrored with their names exchanged.
	Dev, Mirrored baseline.Vector
	// Var is the variance of the epoch's noise, OffsetVar that of a regime's offset at its operating point.
	Var, OffsetVar baseline.Vector
	Has            [dim]bool
	// Unseen is the probability that the regime has changed unseen since the epoch before (a hose, a valve
	// downstream), Swap the probability that the names of A and B have.
	Unseen, Swap float64
}

// UnseenChange is the probability that a regime changes within dt without a sign in the operating point.
func UnseenChange(dt time.Duration) float64 { return baseline.UnseenChange(dt) }
