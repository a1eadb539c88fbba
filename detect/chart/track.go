package chart

import (
	"math"
	"time"
)

// Track follows one explanation against the healthy pump by a CUSUM of predictive log-likelihood ratios: it starts
// anew whenever the healthy pump explains the past better.
type Track struct {
	Filter Filter
	// LogRatio is the log-likelihood ratio since the last start, before the sign of the size is used.
	LogRatio float64
	// Since is the epoch at which the ratio last started, Epochs how many it has taken since.
	Since  time.Time
	Epochs int
}

// Update takes the epoch at t, whose log density under the healthy pump was healthy; bound limits what a single epoch
// may add, so that no epoch alone can raise a ticket. from is the healthy filter before the epoch.
func (tr *Track) Update(t time.Time, m *Measurement, e *Effect, healthy, bound float64, from *Filter) {
	if tr.Epochs == 0 {
		tr.Filter, tr.Since = from.Begin(e), t
	}
	tr.Epochs++
	tr.LogRatio += min(bound, tr.Filter.Update(m, e)-healthy)
	if tr.Score(e) <= 0 {
		*tr = Track{}
	}
}

// Score is the log-likelihood ratio against the healthy pump, the size being positive unless the effect is signed:
// under a normal prior of mean zero, restricting it to positive sizes multiplies the evidence by twice the
// posterior probability that it is positive.
func (tr *Track) Score(e *Effect) float64 {
	if tr.Epochs == 0 {
		return 0
	}
	if e.Signed || e.Jump == 0 {
		return tr.LogRatio
	}
	x, sd := tr.Size()
	return tr.LogRatio + math.Log(2*max(1e-300, 0.5*math.Erfc(-x/(sd*math.Sqrt2))))
}

// Size is the estimated size of the effect and its standard error.
func (tr *Track) Size() (x, se float64) {
	return tr.Filter.X[size], math.Sqrt(max(1e-12, tr.Filter.P[size][size]))
}
