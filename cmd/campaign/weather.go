package main

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"diastole/model/plant"
)

const days = 10

func milliseconds(x float64) time.Duration { return time.Duration(x * float64(time.Millisecond)) }

// weather is what operators, the plant and the day do to a healthy pump.
type weather struct {
	main *plant.Main
	// swing is how far the header swings by day and night, Pa; feed the part of the header's change that passes a regulator.
	swing, feed float64
	unregulated bool
	nominal     float64
	// warm is the part by which the liquid thickens from the warmest hour to the coldest; peak the warmest hour, in days; slow
	// a drift over days.
	warm, peak, slow float64
	moves            []move
	// idle is the chance that the pump is off or stands against a shut valve when it is looked at.
	idle float64
}

// move is one turn of a regulator or a valve.
type move struct {
	day               float64
	setting, throttle float64 // factors from then on
}

func newWeather(s *station, rng *rand.Rand) *weather {
	w := &weather{
		main: plant.NewMain(s.header, rng.Uint64()), nominal: s.header.Nominal, unregulated: s.unregulated,
		swing: uniform(rng, 0.05e5, 0.25e5), feed: uniform(rng, 0.02, 0.1),
		warm: uniform(rng, 0, 0.5), peak: rng.Float64(), slow: uniform(rng, -0.15, 0.15),
	}
	if rng.IntN(2) == 0 {
		w.idle = 0.04
	}
	for range 3 + rng.IntN(4) {
		m := move{day: uniform(rng, 0.1, days), setting: 1, throttle: 1}
		if rng.IntN(2) == 0 {
			m.setting = uniform(rng, 0.85, 1.15)
		} else {
			m.throttle = math.Exp(uniform(rng, -0.7, 0.7))
		}
		w.moves = append(w.moves, m)
	}
	slices.SortFunc(w.moves, func(a, b move) int { return int(math.Copysign(1, a.day-b.day)) })
	return w
}

// over is the process at a time: the moves so far and the day's warmth.
func (w *weather) over(pr plant.Process, day float64) plant.Process {
	setting, throttle := 1.0, 1.0
	for _, m := range w.moves {
		switch {
		case m.day > day:
		case m.setting != 1:
			setting = m.setting // about the level that operators come back to
		default:
			throttle = m.throttle
		}
	}
	cold := 0.5 - 0.5*math.Cos(2*math.Pi*(day-w.peak))
	pr.Viscosity *= (1 + w.warm*cold) * math.Exp(w.slow*(day/days-0.5))
	pr.ThrottleFactor *= throttle
	pr.Setting *= setting
	return pr
}

// moved tells whether anyone turned anything between two times.
func (w *weather) moved(from, to time.Duration) bool {
	return slices.ContainsFunc(w.moves, func(m move) bool {
		return m.day > from.Hours()/24 && m.day <= to.Hours()/24
	})
}

// air is the process with the header as it stands at a time.
func (w *weather) air(pr plant.Process, day float64) plant.Process {
	header := w.main.Pressure() + w.swing*math.Sin(2*math.Pi*(day-w.peak))
	if w.unregulated {
		pr.Setting += header - w.nominal
		pr.Header = pr.Setting
		return pr
	}
	pr.Setting -= w.feed * (header - w.nominal) // a regulator's outlet rises as its supply falls
	pr.Header = header
	return pr
}
