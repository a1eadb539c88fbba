package feature

import (
	"math"

	"diastole/detect/robust"
)

// wander adds to the errors of regularity and rate what the pump's operating point did within the epoch: where another user
// pulls the header down for some seconds, strokes are slow and uneven and nothing is wrong with the pump.
//
// The middle half of the cycles tells how far it went, so that a stroke that hangs, and lets the discharge fall meanwhile, does
// not excuse itself.
func (c *condenser) wander() {
	const slope = 0.6 // of the logarithm of the rate, by that of the pressure to spare (force balance; what simulated pumps show)
	heads := c.b.scratch.a[:0]
	for _, r := range c.runs {
		for i := 1; i < len(r.strokes); i += 2 {
			inlet := float64(r.strokes[i-1].Inlet+r.strokes[i].Inlet) / 2
			spare := 1 - float64(r.strokes[i-1].Discharge+r.strokes[i].Discharge)/2/inlet
			const least = 0.02 // keeps the logarithm finite where surge lifts the discharge to the inlet pressure
			if h := math.Log(max(spare, least)); !bad(h) {
				heads = append(heads, h)
			}
		}
	}
	c.b.scratch.a = heads
	if len(heads) < leastStrokes {
		return
	}
	const quartiles = 1.349 // standard deviations between those of a normal distribution
	moved := slope * (robust.Quantile(heads, 0.75, c.b.scratch.c) - robust.Quantile(heads, 0.25, c.b.scratch.c)) / quartiles
	for _, f := range []ID{Dispersion, Hesitation} {
		c.out.Features[f].SE = math.Hypot(c.out.Features[f].SE, moved)
	}
	// The mean operating point is known; what is not is how far the mean rate lies below the rate there, for the rate bends.
	rate := &c.out.Features[StrokeRate]
	rate.SE = math.Hypot(rate.SE, rate.V*moved*moved)
}
