package detect

import (
	"time"

	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/signal"
	"diastole/model/pump"
)

// Settings is what a monitor must be told about its pump. It never changes during the monitor's life.
type Settings struct {
	// Model is the pump's size and build.
	Model pump.Model
	// Channels tells which channels the pump has.
	Channels [signal.NumChannels]bool
	// OnChange tells which channels are sent only when their value has changed: silence of such a one says nothing.
	OnChange [signal.NumChannels]bool
	// Counter describes the stroke counter, if there is one.
	Counter CounterSettings
	// EdgePerCycle is true where a stroke edge comes once a cycle (two strokes) and not once a stroke.
	EdgePerCycle bool
	// PressureRatio is the liquid pressure over the air pressure that the build gives; 0 and 1 are the same, the ordinary pump.
	PressureRatio float64
	// Solenoid is true where a controller switches the air valve, and not the pump's own pilot.
	Solenoid bool
	// AirBeforeValve is true where the air inlet pressure is taken before the shut-off valve: it then stands while the pump has
	// no air.
	AirBeforeValve bool
	Learn          LearnSettings
	// Supply is the air supply path, the zero value where it is not known.
	Supply feature.SupplyPath
	// Hypotheses are the explanations to weigh, shared by all pumps of the model: see diagnose.Hypotheses.
	Hypotheses []diagnose.Hypothesis
	// FalseTicketsPerYear is the budget from which every threshold follows, tickets per pump-year.
	FalseTicketsPerYear float64
}

// CounterSettings describes a running total of strokes.
type CounterSettings struct {
	// PerCycle is true where the total counts cycles (two strokes each) and not strokes.
	PerCycle bool
	// WrapsAt is the total at which the counter starts again from zero; 0 where it does not wrap.
	WrapsAt float64
}

// LearnSettings says how long the healthy pump is learned. The first condition met that is not zero ends it.
type LearnSettings struct {
	// For is calendar time from the first data.
	For time.Duration
	// Running is time spent running.
	Running time.Duration
	// Strokes is a number of strokes.
	Strokes float64
	// Exclude are stretches of data time that are not learned from.
	Exclude []Stretch
	// AsFound is true where the pump was not known to be in good order at the start.
	AsFound bool
}

// Stretch is a half-open interval of data time.
type Stretch struct{ From, To time.Time }

// Contains reports whether t lies in the stretch.
func (s Stretch) Contains(t time.Time) bool { return !t.Before(s.From) && t.Before(s.To) }

// Of a generic model the displacement is the middle of what makers build, half and twice of it being the ends: see pump.Model.
// A catalogue gives that of one build, to a few per cent (common practice).
const (
	genericSpread   = 0.35
	catalogueSpread = 0.05
)

// volumeSpread is the relative standard uncertainty of a model's displacement.
func volumeSpread(m pump.Model) float64 {
	if _, err := pump.Generic(m.Name); err == nil {
		return genericSpread
	}
	return catalogueSpread
}
