package chart

import "time"

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

// Update takes the epoch at t, whose log density under the healthy pump was healthy. from is the healthy filter before the
// epoch: a track that has nothing yet begins with it. Either the effect comes now, on top of the regime's offset, or it
// has come so slowly that the healthy filter took it for an offset, and looks like a fresh regime: both are weighed.
func (tr *Track) Update(t time.Time, m *Measurement, e *Effect, healthy float64, from *Filter) {
	if tr.Epochs == 0 {
		begun := from.Begin(e)
		c := begun.foresee(m, e, unforeseen(m, e))
		if score := c.logDensity - healthy; score > 0 {
			begun.take(m, e, c)
			begun.shorten()
			*tr = Track{Filter: begun, Score: score, Since: t, Epochs: 1}
		}
		return
	}
	c := tr.Filter.foresee(m, e, m.Unseen)
	if tr.Score += c.logDensity - healthy; tr.Score <= 0 {
		*tr = Track{}
		return
	}
	tr.Filter.take(m, e, c)
	tr.Filter.shorten()
	tr.Epochs++
}

// unforeseen is the probability that an effect that is seen for the first time does not come on top of the offset so far.
func unforeseen(m *Measurement, e *Effect) float64 { return 1 - e.Sudden*(1-m.Unseen) }

// Lower takes an amount off the score; a track that ends by it starts anew.
func (tr *Track) Lower(by float64) {
	if tr.Score -= by; tr.Score <= 0 {
		*tr = Track{}
	}
}
