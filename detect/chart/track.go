package chart

import (
	"math"
	"time"
)

// Track follows one effect against the healthy pump by a CUSUM of predictive log-likelihood ratios: it starts anew
// whenever the healthy pump explains the past better.
type Track struct {
	Filter Filter
	// Score is the log-likelihood ratio since the last start.
	Score float64
	// Since is the epoch at which the ratio last started, Epochs how many it has taken since.
	Since  time.Time
	Epochs int
}

// Update takes the epoch at t, whose log density under the healthy pump was healthy. from is the healthy filter before the epoch.
func (tr *Track) Update(t time.Time, m *Measurement, e *Effect, healthy float64, from *Filter) {
	var density float64
	if tr.Epochs == 0 {
		tr.Since = t
		density = tr.begin(m, e, from)
	} else {
		density = tr.Filter.Update(m, e)
	}
	tr.Epochs++
	tr.Score += density - healthy
	if tr.Score <= 0 {
		*tr = Track{}
	}
}

// begin takes the first epoch. Either the effect comes now, on top of the regime's offset, or it has come so slowly that
// the healthy filter took it for an offset: both are tried, and the better one is kept.
func (tr *Track) begin(m *Measurement, e *Effect, from *Filter) float64 {
	sudden, slow := from.Begin(e), fresh(m, e)
	slow.Swapped = from.Swapped
	a := math.Log(e.Sudden) + sudden.Update(m, e)
	b := math.Log1p(-e.Sudden) + slow.Update(m, e)
	tr.Filter = sudden
	if b > a {
		tr.Filter = slow
	}
	return logAdd(a, b)
}

// Lower takes an amount off the score; a track that ends by it starts anew.
func (tr *Track) Lower(by float64) {
	if tr.Score -= by; tr.Score <= 0 {
		*tr = Track{}
	}
}
