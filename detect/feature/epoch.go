// Package feature condenses the strokes of one epoch into the few numbers on which a pump is judged,
// each with its validity and standard error.
package feature

import (
	"time"

	"diastole/detect/cycle"
	"diastole/detect/sensor"
)

// ID names one feature of an epoch.
type ID uint8

// The features. A and B are the strokes that end on an odd and on an even total of the stroke counter.
const (
	// StrokeRate is strokes per second over the running part of the epoch, 1/s.
	StrokeRate ID = iota
	// Asymmetry is (tA-tB)/(tA+tB) of the mean stroke times, dimensionless; positive when A is slower.
	Asymmetry
	// Dispersion is the robust coefficient of variation of stroke times about the mean of their own
	// side, dimensionless.
	Dispersion
	// Hesitation is how far the slowest strokes lie beyond the usual ones: (p95 - median)/median of
	// stroke times about their own side, dimensionless.
	Hesitation
	// Ripple is the mean peak-to-trough swing of discharge pressure per stroke over the mean discharge
	// pressure, dimensionless.
	Ripple
	// RippleAsymmetry is (rA-rB)/(rA+rB) of the mean swings that follow A and B strokes, dimensionless.
	RippleAsymmetry
	// DipDepth is the mean drop of inlet pressure at a changeover over the mean absolute inlet
	// pressure, dimensionless.
	DipDepth
	// DipWidth is the mean width of that dip at half its depth, s.
	DipWidth
	// AirPerStroke is air used per stroke, m3 ANR (only with an air flow meter), divided by the
	// absolute inlet pressure over 100 kPa: it is then nearly the same at every air pressure.
	AirPerStroke
	// Dwell is how long before the changeover dip the discharge begins to fall, over the stroke time, dimensionless:
	// a diaphragm that waits at the end of its stroke for a late pilot delivers nothing meanwhile.
	Dwell
	// DwellAsymmetry is (dA-dB)/(tA+tB) of these times d and of the stroke times t, dimensionless: a stroke that is longer
	// by waiting shows it here and in Asymmetry alike.
	DwellAsymmetry
	// NumFeatures is how many there are.
	NumFeatures
)

var featureInfo = [NumFeatures]struct{ name, unit string }{
	StrokeRate:      {"stroke_rate", "1/s"},
	Asymmetry:       {"asymmetry", "1"},
	Dispersion:      {"dispersion", "1"},
	Hesitation:      {"hesitation", "1"},
	Ripple:          {"ripple", "1"},
	RippleAsymmetry: {"ripple_asymmetry", "1"},
	DipDepth:        {"dip_depth", "1"},
	DipWidth:        {"dip_width", "s"},
	AirPerStroke:    {"air_per_stroke", "m3"},
	Dwell:           {"dwell", "1"},
	DwellAsymmetry:  {"dwell_asymmetry", "1"},
}

// String is the feature's name in events, metrics and the time-series store.
func (f ID) String() string {
	if f >= NumFeatures {
		return "feature?"
	}
	return featureInfo[f].name
}

// Unit is the feature's SI unit, "1" for a dimensionless one.
func (f ID) Unit() string {
	if f >= NumFeatures {
		return ""
	}
	return featureInfo[f].unit
}

// Value is one feature of one epoch. A feature that could not be formed has Valid false, and its
// numbers mean nothing.
type Value struct {
	V     float64 `json:"v"`
	SE    float64 `json:"se"`
	Valid bool    `json:"ok"`
}

// State is what the pump did during an epoch.
type State uint8

// The states. Features exist only for Running.
const (
	// Off means that no air stands at the inlet.
	Off State = iota
	// Running means that strokes arrive.
	Running
	// Stalled means air on, no strokes, discharge about as high as the air: a dead-head, no fault.
	Stalled
	// NotStroking means air on, no strokes, discharge well below the air.
	NotStroking
	// Dry means strokes racing with no pressure at the discharge.
	Dry
	// Unknown means that the channels at hand cannot tell.
	Unknown
	// Starting means the first strokes after a true stop, in which chambers fill and air is driven out.
	Starting
	// NumStates is how many there are.
	NumStates
)

var stateNames = [NumStates]string{"off", "running", "stalled", "not-stroking", "dry", "unknown", "starting"}

// String is the state's name in events and on the page.
func (s State) String() string {
	if s >= NumStates {
		return "state?"
	}
	return stateNames[s]
}

// Epoch is the unit that is stored and judged: a minute of running, or one burst of a pump that is
// sampled in bursts.
type Epoch struct {
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
	State State     `json:"state"`
	// Strokes counts the strokes of the epoch from its best source.
	Strokes int `json:"strokes"`
	// Inlet and Discharge are the operating point: mean gauge pressures over the running cycles, Pa.
	// Each is valid only where its channel delivered.
	Inlet     Value `json:"inlet"`
	Discharge Value `json:"discharge"`
	// Anchored tells that A and B are tied to the counter's parity or a side signal; where it is
	// false the signs of the asymmetries are free.
	Anchored bool `json:"anchored"`
	// CounterDelta is the advance of the stroke counter over the epoch, Counter its last total.
	CounterDelta float64 `json:"counter_delta"`
	// CounterExcess is how many strokes more than the waveforms the counter saw, over the same time: it is
	// beyond one either way where one of them is wrong. It is valid where both saw a stretch without a gap.
	CounterExcess Value `json:"counter_excess"`
	Counter       Value `json:"counter"`
	// CounterFacts is how the counter behaved.
	CounterFacts CounterFacts `json:"counter_facts"`
	// SignalA is 1 where the side signal is 1 during the strokes of side A, 0 where it is during those of side B. It is valid
	// where the signal tells. Without a counter of strokes A is the stroke during which it is 1.
	SignalA  Value              `json:"signal_a"`
	Features [NumFeatures]Value `json:"features"`
	// Sensors are the faults that the sensors showed. What hangs on their channels is not valid.
	Sensors []sensor.Fault `json:"sensors,omitempty"`

	// What stands below is told beside the features: no verdict hangs on it.

	// Tier is how finely the strokes were seen.
	Tier Tier `json:"tier"`
	// Jitter is the beat-to-beat jitter of whole cycles, dimensionless (see cycle.Jitter).
	Jitter Value `json:"jitter"`
	// Air is the air used by one stroke in each way in which it could be had, m3 ANR.
	Air [NumAirModes]Value `json:"air"`
	// LiquidPerStroke is the liquid delivered by one stroke, m3 (only with a liquid flow meter).
	LiquidPerStroke Value `json:"liquid_per_stroke"`
	// Creep is the rate of strokes while stalled, 1/s; StallAir the air flow meanwhile, m3/s ANR. Both exist only for
	// Stalled.
	Creep    Value `json:"creep"`
	StallAir Value `json:"stall_air"`
	// Cycle is the mean cycle of both pressures, nil where there is none: the signal is too coarse or too short.
	Cycle *cycle.Record `json:"cycle,omitempty"`
}
