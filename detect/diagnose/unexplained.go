package diagnose

import (
	"diastole/detect/chart"
	"diastole/model/pump"
)

// Explains tells whether any known fault or cause that the features can show accounts for what the omnibus chart shows.
func (b *Bank) Explains(c *chart.Omnibus) bool {
	for i := range b.hypotheses {
		h := &b.hypotheses[i]
		if !b.Visible[i] || h.Cause == pump.UnexplainedChange {
			continue
		}
		for k := range h.Effects {
			if c.Explained(&h.Effects[k]) {
				return true
			}
		}
	}
	return false
}
