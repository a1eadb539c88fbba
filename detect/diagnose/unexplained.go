package diagnose

import (
	"math"

	"diastole/detect/chart"
	"diastole/model/pump"
)

// Explains tells whether any known fault or cause that the features can show accounts for what the omnibus chart shows, and does so
// better than a change of no known kind: what is wide enough accounts for anything.
func (b *Bank) Explains(c *chart.Omnibus) bool {
	known, unknown := math.Inf(-1), math.Inf(-1)
	for i := range b.hypotheses {
		h := &b.hypotheses[i]
		if !b.Visible[i] {
			continue
		}
		for k := range h.Effects {
			atRest, density := c.Fit(&h.Effects[k])
			switch {
			case h.Cause == pump.UnexplainedChange:
				unknown = max(unknown, density)
			case atRest:
				known = max(known, density)
			}
		}
	}
	return known > unknown
}
