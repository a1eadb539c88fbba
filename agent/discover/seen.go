package discover

import (
	"math"
	"time"

	"diastole/agent/intake"
	"diastole/agent/intake/sparkplug"
)

// signalSeen is what was heard of one signal.
type signalSeen struct {
	key
	messages, retained int
	first, last        time.Time // arrivals
	// shortest and longest are the gaps between messages.
	shortest, longest time.Duration
	// n counts samples, of whatever kind.
	n                         int
	min, max, newest          float64
	rises, falls, repeats     int
	fallFrom                  float64 // the value before the last fall
	whole, bits, words, edges bool
	truths                    bool
	texts                     map[string]int
	// firstAt and lastAt are of samples, step the spacing of a waveform and block its length.
	firstAt, lastAt int64
	step            time.Duration
	block           int
	// array is a metric that is an array, whose spacing the sender does not tell where unspaced.
	array, unspaced bool
	// unit is what the sender says, empty where it says nothing.
	unit string
	// timePointer and timeUnit are where a JSON document has the time.
	timePointer, timeUnit string
}

func (x *signalSeen) message(m intake.Message) {
	if m.Retained {
		x.retained++
		return
	}
	if x.messages == 0 {
		x.first = m.Arrival
	} else {
		gap := m.Arrival.Sub(x.last)
		if x.messages == 1 {
			x.shortest = gap
		}
		x.shortest, x.longest = min(x.shortest, gap), max(x.longest, gap)
	}
	x.messages++
	x.last = m.Arrival
}

// sample notes a value at a time.
func (x *signalSeen) sample(at time.Time, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	if x.n == 0 {
		x.min, x.max, x.newest, x.whole, x.bits = v, v, v, true, true
		x.firstAt = moment(at)
	} else {
		switch {
		case v > x.newest:
			x.rises++
		case v < x.newest:
			x.falls++
			x.fallFrom = x.newest
		default:
			x.repeats++
		}
	}
	x.n++
	x.lastAt = max(x.lastAt, moment(at))
	x.min, x.max, x.newest = min(x.min, v), max(x.max, v), v
	x.whole = x.whole && v == math.Trunc(v)
	x.bits = x.bits && (v == 0 || v == 1)
}

func (x *signalSeen) number(at time.Time, v float64) { x.sample(at, v) }

func (x *signalSeen) truth(at time.Time, v bool) {
	x.truths = true
	if v {
		x.sample(at, 1)
	} else {
		x.sample(at, 0)
	}
}

// word notes a text that may be the name of a state.
func (x *signalSeen) word(at time.Time, text string) {
	x.words = true
	if x.n == 0 {
		x.firstAt = moment(at)
	}
	x.n++
	x.lastAt = moment(at)
	if len(x.texts) < 12 {
		x.texts[text]++
	}
}

func (x *signalSeen) wave(at time.Time, step time.Duration, values []float64) {
	x.step, x.block = step, max(x.block, len(values))
	for i, v := range values {
		x.sample(at.Add(time.Duration(i)*step), v)
	}
}

// metric notes a metric of Sparkplug. The values of a birth are old, and only tell what there is.
func (x *signalSeen) metric(m *sparkplug.Metric, birth bool, arrival time.Time) {
	at := arrival
	if m.HasTimestamp && m.Timestamp < math.MaxInt64 {
		at = time.UnixMilli(int64(m.Timestamp))
	}
	x.array = x.array || m.IsArray()
	if m.Null || birth && m.IsArray() {
		return
	}
	switch {
	case m.IsArray():
		values, err := m.Numbers(nil)
		if err != nil || len(values) == 0 {
			return
		}
		x.unspaced = m.Spacing == 0
		x.wave(at, time.Duration(m.Spacing*1e9), values)
	case m.IsText():
		if isWord(m.Text()) {
			x.word(at, m.Text())
		}
	default:
		v, err := m.Number()
		if err != nil {
			return
		}
		if m.IsBoolean() {
			x.truth(at, v != 0)
			return
		}
		x.sample(at, v)
	}
}

// rate is samples a second, 0 where too few came.
func (x *signalSeen) rate() float64 {
	if x.step > 0 {
		return 1 / x.step.Seconds()
	}
	span := time.Duration(x.lastAt - x.firstAt).Seconds()
	if x.n < 2 || span <= 0 {
		return 0
	}
	return float64(x.n-1) / span
}

// isCounter tells a whole number that only rises, but for the moment at which it begins again.
func (x *signalSeen) isCounter() bool {
	return x.n >= 3 && x.whole && !x.bits && !x.words && x.rises >= 2 && x.falls <= 1 && x.min >= 0
}

// isNumbering tells a counter of messages or seconds by its name.
func (x *signalSeen) isNumbering() bool {
	place := words(x.place()...)
	switch place[len(place)-1] {
	case "seq", "sequence", "id", "index", "uptime", "version", "number", "msg", "hours", "seconds":
		return true
	}
	return false
}

// isBit tells a contact.
func (x *signalSeen) isBit() bool { return x.n > 0 && x.bits && !x.words }

// onChange tells a signal that comes at odd times and never says the same twice.
func (x *signalSeen) onChange() bool {
	odd := x.messages >= 4 && x.longest > 3*x.shortest
	return odd && x.step == 0 && !x.array && !x.edges && !x.words && x.repeats == 0 && !x.isCounter()
}
