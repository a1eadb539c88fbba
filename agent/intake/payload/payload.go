// Package payload turns the bytes of one MQTT message into samples in SI units, or says why it cannot.
package payload

import (
	"fmt"
	"math"
	"time"

	"diastole/agent/config"
	"diastole/detect/signal"
)

// MaxSize is the largest payload that is looked at, bytes.
const MaxSize = 1 << 20

// The earliest time that is believed, and how far ahead of its arrival a sample may claim to be. A clock
// that was never set starts in 1970 (or at its firmware's build date), a wrong time zone stays inside a day.
var earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

const furthestAhead = 24 * time.Hour

// Codec decodes the payloads of one configured channel. It does not change after New and may be used by
// several goroutines.
type Codec struct {
	channel        signal.Channel
	format         config.Format
	value, time    pointer
	hasTime        bool
	timeUnit       string
	unitExponent   int // of the epoch unit, in powers of ten of a nanosecond
	factor, offset float64
	rawMin, rawMax float64
	bounded        bool
}

// New prepares the decoder of a channel. The error names what the configuration asks for and what exists.
func New(ch config.Channel) (*Codec, error) {
	c := &Codec{
		channel: ch.Channel, format: ch.Format, timeUnit: ch.TimeUnit,
		factor: ch.Factor, offset: ch.Offset,
		rawMin: ch.RawMin, rawMax: ch.RawMax, bounded: ch.RawMin != 0 || ch.RawMax != 0,
	}
	switch ch.Format {
	case config.FormatNumber, config.FormatWaveform:
		return c, nil
	case config.FormatJSON:
	default:
		return nil, fmt.Errorf("format %q is not known; allowed are %q, %q and %q",
			ch.Format, config.FormatNumber, config.FormatJSON, config.FormatWaveform)
	}
	var err error
	if c.value, err = parsePointer(ch.Value); err != nil {
		return nil, fmt.Errorf("value: %w", err)
	}
	if ch.Time == "" {
		return c, nil
	}
	c.hasTime = true
	if c.time, err = parsePointer(ch.Time); err != nil {
		return nil, fmt.Errorf("time: %w", err)
	}
	if c.unitExponent, err = unitExponent(ch.TimeUnit); err != nil {
		return nil, err
	}
	return c, nil
}

// ArrivalTimed tells whether samples get the time at which the message arrived, because the payload
// carries none. A retained message of such a channel says nothing about when it was true.
func (c *Codec) ArrivalTimed() bool {
	return c.format == config.FormatNumber || c.format == config.FormatJSON && !c.hasTime
}

// Decode turns a payload into a chunk of SI values. The values are written into dst from its beginning,
// and into a new array only where they do not fit: they are valid until dst is used again. Times are UTC.
// The error is an *Error.
func (c *Codec) Decode(dst []float64, payload []byte, arrival time.Time) (signal.Chunk, error) {
	chunk := signal.Chunk{Channel: c.channel, Start: arrival}
	var bad *Error
	switch {
	case len(payload) == 0:
		bad = refuse(Empty, "the payload is empty")
	case len(payload) > MaxSize:
		bad = refuse(TooLarge, "the payload has %d bytes; allowed are %d", len(payload), MaxSize)
	case c.format == config.FormatWaveform:
		chunk.Start, chunk.Step, chunk.Values, bad = decodeWaveform(dst, payload)
	case c.format == config.FormatJSON:
		chunk.Start, chunk.Values, bad = c.decodeJSON(dst, payload, arrival)
	default:
		chunk.Values, bad = decodeNumber(dst, payload, isBit(c.channel))
	}
	if bad == nil {
		// UTC, without a monotonic reading: live and replayed chunks are then the same value.
		chunk.Start = chunk.Start.Round(0).UTC()
		bad = checkClock(chunk, arrival)
	}
	if bad == nil {
		bad = c.toSI(chunk.Values)
	}
	if bad != nil {
		return signal.Chunk{}, bad
	}
	return chunk, nil
}

// isBit tells which channels are a contact, for which true and false are numbers.
func isBit(ch signal.Channel) bool {
	switch ch {
	case signal.SideSignal, signal.AirValveOpen, signal.DischargeValveOpen, signal.LiquidInAir:
		return true
	}
	return false
}

// decodeNumber reads a payload that is the text of one number.
func decodeNumber(dst []float64, payload []byte, bit bool) ([]float64, *Error) {
	v, bad := parseText(payload, bit)
	if bad != nil {
		return nil, bad
	}
	return append(dst[:0], v), nil
}

func checkClock(c signal.Chunk, arrival time.Time) *Error {
	if c.Start.Before(earliest) {
		return refuse(Clock, "the sample time %s lies before %d: a clock that was never set",
			c.Start.Format(time.RFC3339), earliest.Year())
	}
	last := c.Start.Add(time.Duration(len(c.Values)-1) * c.Step)
	if ahead := last.Sub(arrival); ahead > furthestAhead {
		return refuse(Clock, "the sample time %s lies %s ahead of its arrival at %s; allowed are %s",
			last.Format(time.RFC3339), ahead.Round(time.Second), arrival.UTC().Format(time.RFC3339), furthestAhead)
	}
	return nil
}

// toSI checks raw numbers against what the sensor can give and converts them in place. One reading outside
// spoils the whole chunk: its neighbours were taken by the same broken loop.
func (c *Codec) toSI(raw []float64) *Error {
	for i, v := range raw {
		if c.bounded && (v < c.rawMin || v > c.rawMax) {
			return refuse(OutOfRange, "the raw value %s%g lies outside %g to %g: a sensor fault",
				at(i, len(raw)), v, c.rawMin, c.rawMax)
		}
		// The conversion of the product forbids a fused multiply-add, which would give other last bits on
		// other processors, and so other replays.
		si := float64(v*c.factor) + c.offset
		if math.IsNaN(si) || math.IsInf(si, 0) {
			return refuse(NotANumber, "the raw value %s%g is not finite in %s", at(i, len(raw)), v, c.channel.Unit())
		}
		raw[i] = si
	}
	return nil
}

// at names the place of a sample among several.
func at(i, n int) string {
	if n == 1 {
		return ""
	}
	return fmt.Sprintf("v[%d] = ", i)
}
