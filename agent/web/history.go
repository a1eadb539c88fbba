package web

import (
	"time"

	"diastole/agent/web/chart"
	"diastole/detect/chart/pelt"
)

// step is a lasting change of a feature against what was expected of it.
type step struct {
	At time.Time
	By string // in the unit that is shown, with its sign
}

// mostSteps is how many steps a trend tells of: the newest ones.
const mostSteps = 3

// stepsOf reviews a trend for lasting changes of the observed value against the expected one, newest first. What is smaller than half of the
// strip's half-width is left out: it may be certain, but it is nothing to act on.
func stepsOf(points []Point, q quantity) (steps []step) {
	var known []Point
	var off []float64
	for _, p := range points {
		if p.Known() {
			known = append(known, p)
			off = append(off, p.Value-p.Expected)
		}
	}
	changes := pelt.Review(off)
	for i := len(changes) - 1; i >= 0 && len(steps) < mostSteps; i-- {
		c := changes[i]
		by := c.After - c.Before
		if size := max(by, -by); size < known[c.At].Band/2 {
			continue
		}
		sign := "+"
		if by < 0 {
			sign = "" // the number brings its own
		}
		steps = append(steps, step{known[c.At].Time, sign + chart.Number(by*q.factor, q.decimals)})
	}
	return steps
}
