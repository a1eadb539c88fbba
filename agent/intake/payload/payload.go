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
	// name selects the record of a pack or the metric of a node, unit is what its unit is called there; spacing is that
	// between the samples of an array without its own, 0 where none is configured.
	name, unit string
	spacing    time.Duration
	states     map[string]signal.Service
}

// New prepares the decoder of a channel. The error names what the configuration asks for and what exists.
func New(ch config.Channel) (*Codec, error) {
	c := &Codec{
		channel: ch.Channel, format: ch.Format, timeUnit: ch.TimeUnit,
		name: ch.Name, unit: ch.Unit, spacing: ch.Spacing, states: ch.States,
		factor: ch.Factor, offset: ch.Offset,
		rawMin: ch.RawMin, rawMax: ch.RawMax, bounded: ch.RawMin != 0 || ch.RawMax != 0,
	}
	switch ch.Format {
	case config.FormatNumber, config.FormatWaveform, config.FormatEdges, config.FormatSenML, config.FormatSparkplugB:
		return c, nil
	case config.FormatJSON:
	default:
		return nil, fmt.Errorf("format %q is not known; allowed are %q", ch.Format, config.Formats())
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

// Samples is where decoded samples lie. It is used again for the next payload, so that the hot path does not allocate.
type Samples struct {
	chunks []signal.Chunk
	values []float64
}

// one makes the samples a single chunk. Its values lie in s.values, or are those that do from now on.
func (s *Samples) one(start time.Time, step time.Duration, values []float64) {
	s.values = values
	s.chunks = append(s.chunks[:0], signal.Chunk{Start: start, Step: step, Values: values})
}

// Decode turns a payload into chunks of SI values, in the order of the payload. They lie in s: they are valid until s is
// used again. Times are UTC. The error is an *Error; one bad sample spoils the payload.
func (c *Codec) Decode(s *Samples, payload []byte, arrival time.Time) ([]signal.Chunk, error) {
	if bad := c.decode(s, payload, arrival); bad != nil {
		return nil, bad
	}
	return s.chunks, nil
}

func (c *Codec) decode(s *Samples, payload []byte, arrival time.Time) (bad *Error) {
	switch {
	case len(payload) == 0:
		return refuse(Empty, "the payload is empty")
	case len(payload) > MaxSize:
		return refuse(TooLarge, "the payload has %d bytes; allowed are %d", len(payload), MaxSize)
	}
	var start time.Time
	var step time.Duration
	values := s.values
	switch c.format {
	case config.FormatWaveform:
		if start, step, values, bad = decodeWaveform(values, payload); bad == nil {
			s.one(start, step, values)
		}
	case config.FormatJSON:
		if start, values, bad = c.decodeJSON(values, payload, arrival); bad == nil {
			s.one(start, 0, values)
		}
	case config.FormatEdges:
		bad = s.decodeEdges(payload)
	case config.FormatSenML:
		bad = c.decodeSenML(s, payload, arrival)
	default:
		if values, bad = c.decodeNumber(values, payload); bad == nil {
			s.one(arrival, 0, values)
		}
	}
	if bad != nil {
		return bad
	}
	return c.finish(s, arrival)
}

// finish checks the times of raw samples and converts the samples to SI.
func (c *Codec) finish(s *Samples, arrival time.Time) *Error {
	for i := range s.chunks {
		x := &s.chunks[i]
		x.Channel = c.channel
		// UTC, without a monotonic reading: live and replayed chunks are then the same value.
		x.Start = x.Start.Round(0).UTC()
		if bad := checkClock(*x, arrival); bad != nil {
			return bad
		}
		if c.channel == signal.StrokeEdge {
			continue // an edge is its time
		}
		if bad := c.toSI(x.Values); bad != nil {
			return bad
		}
	}
	if c.channel == signal.StrokeEdge && c.format != config.FormatEdges {
		return s.closings()
	}
	return nil
}

// closings leaves the moments at which a switch closed, of samples that tell 1 for it and 0 for its opening.
func (s *Samples) closings() *Error {
	out := s.chunks[:0]
	for _, x := range s.chunks {
		if x.Step > 0 {
			return refuse(Spacing, "a switch is told by its edges, not by evenly spaced samples")
		}
		if x.Values[0] >= 0.5 {
			x.Values[0] = 0
			out = append(out, x)
		}
	}
	s.chunks = out
	return nil
}

// isBit tells which channels are a contact, for which true and false are numbers.
func isBit(ch signal.Channel) bool {
	switch ch {
	case signal.StrokeEdge, signal.SideSignal, signal.AirValveOpen, signal.DischargeValveOpen, signal.LiquidInAir:
		return true
	}
	return false
}

// decodeNumber reads a payload that is the text of one number, or of one state.
func (c *Codec) decodeNumber(dst []float64, payload []byte) ([]float64, *Error) {
	v, bad := c.parse(payload)
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
