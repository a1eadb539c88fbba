// Package sensor tells whether what the sensors of a pump say can be true, before anything is learned from it or judged by it: each
// channel by itself, against the physics of such a pump, and against the other channels.
package sensor

import "diastole/detect/signal"

// Kind is what is wrong with a channel. The numbers are stored: new kinds go to the end.
type Kind uint8

// The kinds of fault.
const (
	// OutOfRange is a pressure that cannot be: below a vacuum.
	OutOfRange Kind = iota + 1
	// WrongScale is a mean pressure with which no such pump strokes, so that unit or scale must be another.
	WrongScale
	// Swapped is a discharge above what the air can press, while the channel named as air would be a possible discharge.
	Swapped
	// Stuck is one and the same value while the pump strokes.
	Stuck
	// Spikes are single samples that stick out of the waveform as no pressure can.
	Spikes
	// Dropout is that less than half of the samples came.
	Dropout
	// Clipped is a discharge waveform that is cut off flat at its top.
	Clipped
	// Aliased is a waveform with too few samples for the strokes that are counted.
	Aliased
	// ZeroOffset is that air pressure is shown, or a vacuum, while the pump has no air.
	ZeroOffset
	// ClockBack is that the times of a channel went back.
	ClockBack
	// CounterReset is a total that fell where it does not wrap.
	CounterReset
	// CounterFrozen is a total that stands while the waveform shows strokes.
	CounterFrozen
	// CounterHalf is a total that rises by half of the strokes: it counts cycles, or misses every second stroke.
	CounterHalf
	// CounterDouble is a total that rises by twice the strokes: it counts strokes where cycles are declared, or each one twice.
	CounterDouble
	// CounterMissed and CounterExtra are a total that rises by another share of the strokes, less or more.
	CounterMissed
	CounterExtra
	// NumKinds is one more than there are.
	NumKinds
)

var kindNames = [NumKinds]string{
	OutOfRange: "out-of-range", WrongScale: "wrong-scale", Swapped: "swapped", Stuck: "stuck", Spikes: "spikes", Dropout: "dropout",
	Clipped: "clipped", Aliased: "aliased", ZeroOffset: "zero-offset", ClockBack: "clock-back",
	CounterReset: "counter-reset", CounterFrozen: "counter-frozen", CounterHalf: "counter-half", CounterDouble: "counter-double",
	CounterMissed: "counter-missed", CounterExtra: "counter-extra",
}

// String is the kind's name in events, such as "stuck".
func (k Kind) String() string {
	if k == 0 || k >= NumKinds {
		return "sensor fault?"
	}
	return kindNames[k]
}

// Kinds lists all kinds in their order.
func Kinds() []Kind {
	out := make([]Kind, 0, NumKinds-1)
	for k := Kind(1); k < NumKinds; k++ {
		out = append(out, k)
	}
	return out
}

// Unit is the SI unit of Observed and Limit of a fault of a channel.
func (k Kind) Unit(c signal.Channel) string {
	switch k {
	case OutOfRange, WrongScale, Swapped, Spikes, Clipped, ZeroOffset, Stuck:
		return c.Unit()
	case ClockBack:
		return "s"
	}
	return "1"
}

// Fault is what is wrong with one channel in one epoch.
type Fault struct {
	Channel signal.Channel `json:"channel"`
	Kind    Kind           `json:"kind"`
	// Observed is the number that shows it, Limit the one that it should not have passed, in the unit that Kind.Unit gives.
	Observed float64 `json:"observed"`
	Limit    float64 `json:"limit"`
}
