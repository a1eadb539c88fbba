package main

import (
	"math"
	"math/rand/v2"
)

// course is how something comes over the ten days.
type course int

const (
	still  course = iota
	grows         // over days, to size 1 and a little beyond
	steps         // to a part, days later to the whole
	either        // half the pumps one, half the other
	passes        // a few hours at full size, twice
)

// growth gives the size of what is wrong at a time, in days from the start.
type growth func(day float64) float64

// of draws one course.
func (c course) of(rng *rand.Rand) growth {
	if c == either {
		c = []course{grows, steps}[rng.IntN(2)]
	}
	switch c {
	case grows:
		from, full, power := uniform(rng, 3.5, 4.5), uniform(rng, 8.5, 9.3), uniform(rng, 1, 2)
		return func(day float64) float64 { return math.Pow(max(0, day-from)/(full-from), power) }
	case steps:
		first, part, second := uniform(rng, 3.5, 5), uniform(rng, 0.25, 0.5), uniform(rng, 6, 8)
		return func(day float64) float64 {
			switch {
			case day < first:
				return 0
			case day < second:
				return part
			}
			return 1
		}
	case passes:
		a, b, hours := uniform(rng, 3.5, 6), uniform(rng, 6.5, 9), uniform(rng, 0.5, 2.9)
		return func(day float64) float64 {
			if day >= a && day < a+hours/24 || day >= b && day < b+hours/24 {
				return 1
			}
			return 0
		}
	}
	return func(float64) float64 { return 0 }
}
