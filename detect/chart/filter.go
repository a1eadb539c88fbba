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

// Filter is a Kalman filter over the deviation of each coordinate from what the healthy pump is expected to show: the error of
// that expectation, the offset of the present regime, and the shift by an effect together. The coordinates are independent. Its
// fields are exported to be stored.
type Filter struct {
	// X and P are mean and variance of the deviation.
	X, P baseline.Vector
	Bias Bias
	// Swapped tells that A and B are named the other way round than when the pump was learned.
	Swapped bool
}

// Bias is the part of the deviation that every regime shares: the error of the level that was learned, which is large
// where few regimes were seen. The healthy filter comes to know it, so that regime after regime on the same side of a
// level that is wrong is not taken for wear. The filter of an effect does without: its own shift says enough.
type Bias struct {
	// X and Var are its mean and variance, Cov is its covariance with the deviation, Prior its variance where learning ended.
	X, Var, Cov, Prior baseline.Vector
}

// NewFilter starts where learning ended.
func NewFilter(h *baseline.Healthy) Filter {
	return Filter{X: h.Offset, P: h.OffsetVar, Bias: Bias{Var: h.Bias, Cov: h.BiasCov, Prior: h.Bias}}
}

// Begin makes a filter that takes up the deviations from f and lets the effect begin now.
func (f *Filter) Begin(e *Effect) Filter {
	g := Filter{X: f.X, P: f.P, Swapped: f.Swapped}
	for j := range dim {
		g.X[j] += e.Mean[j]
		g.P[j] += e.Spread[j] * e.Spread[j]
	}
	return g
}

// fresh is the mean and the variance of coordinate j in a regime that nothing is known of, where offsetVar is what a
// regime's offset and the expectation together may be off by.
func (f *Filter) fresh(j int, offsetVar float64, e *Effect) (mean, variance float64) {
	b := &f.Bias
	return e.Mean[j] + b.X[j], offsetVar - b.Prior[j] + b.Var[j] + e.Spread[j]*e.Spread[j]
}

// Move carries the deviations to the next epoch. They return toward bias and the effect's shift as an Ornstein-Uhlenbeck
// process: keep is their correlation, offsetVar the variance of a regime's offset at the new operating point.
func (f *Filter) Move(keep float64, offsetVar *baseline.Vector, e *Effect) {
	b := &f.Bias
	for j := range dim {
		mean, variance := f.fresh(j, offsetVar[j], e)
		f.X[j] = mean + keep*(f.X[j]-mean)
		// The part that is not bias: its variance and its covariance with the bias both shrink.
		rest, cross := f.P[j]-2*b.Cov[j]+b.Var[j], b.Cov[j]-b.Var[j]
		f.P[j] = keep*keep*rest + (1-keep*keep)*(variance-b.Var[j]) + 2*keep*cross + b.Var[j]
		b.Cov[j] = keep*cross + b.Var[j]
	}
}

// Hold takes back what the last update taught of the bias; from is the filter before it. That the bias is not known goes on being
// considered (Schmidt 1966, Adv. Control Syst. 3:293; from memory).
func (f *Filter) Hold(from *Filter) {
	for j := range dim {
		f.Bias.X[j], f.Bias.Var[j] = from.Bias.X[j], from.Bias.Var[j]
		f.Bias.Cov[j] = from.Bias.Cov[j]
		if from.P[j] > 0 {
			f.Bias.Cov[j] *= min(1, f.P[j]/from.P[j])
		}
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
