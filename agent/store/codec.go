package store

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"

	"diastole/detect/feature"
	"diastole/detect/sensor"
	"diastole/detect/signal"
)

// The body of an epoch, little endian; some 60 bytes for a pump at rest, 300 with all features, 550 more for one with its mean
// cycle:
//
//	u8   layout, 2
//	i64  start, i64 end        ns since 1970 UTC
//	u8   state
//	u8   flags                 anchored; inlet, discharge, counter, counter excess valid; facts of the counter; signal of A; sensors
//	i64  strokes
//	f64  advance of the counter
//	     inlet, discharge, counter, counter excess: f64 value, f64 standard error, each only where it is valid
//	     facts of the counter, only where it had readings: u32 readings, wraps, resets, leaps, still, waveform; f64 counted
//	     signal of A, only where it is valid: f64 value, f64 standard error
//	u8   number of features the writer knew
//	u64  which of them are valid
//	     for each valid one: f64 value, f64 standard error
//	     faults of sensors, only where there are any: u8 how many; for each u8 channel, u8 kind, f64 observed, f64 limit
//	from layout 2 on:
//	u8   tier
//	u8   number of further values the writer knew
//	u64  which of them are valid
//	     for each valid one: f64 value, f64 standard error
//	u8   1 where a mean cycle follows, else 0: i64 strokes, f64 share of A, f64 period, and for inlet and discharge:
//	     u8 number of points, each f32; f64 residual
//	u32  CRC-32C over the pump's id and all of the above
//
// Numbers of what is not valid mean nothing and are not stored; they come back as zero. A mean
// cycle is stored only where it is to be kept.
const epochLayout = 2

const (
	flagAnchored = 1 << iota
	flagInlet
	flagDischarge
	flagCounter
	flagExcess
	flagFacts
	flagSignal
	flagSensors
)

// castagnoli is CRC-32C (RFC 3720, appendix B.4), which amd64 and arm64 have in hardware.
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sum is the checksum of the parts of a row one after the other.
func sum(parts ...[]byte) uint32 {
	var c uint32
	for _, p := range parts {
		c = crc32.Update(c, castagnoli, p)
		c = crc32.Update(c, castagnoli, []byte{0}) // "ab","c" is not "a","bc"
	}
	return c
}

// encodeEpoch makes the body of an epoch. It fails with ErrInvalid where a time can not be stored.
func encodeEpoch(pump string, e *feature.Epoch) ([]byte, error) {
	start, err := nanoseconds(e.Start)
	if err != nil {
		return nil, fmt.Errorf("start of epoch: %w", err)
	}
	end, err := nanoseconds(e.End)
	if err != nil {
		return nil, fmt.Errorf("end of epoch: %w", err)
	}
	le := binary.LittleEndian
	b := make([]byte, 0, 256)
	b = append(b, epochLayout)
	b = le.AppendUint64(b, uint64(start))
	b = le.AppendUint64(b, uint64(end))
	b = append(b, byte(e.State))
	var flags byte
	for i, on := range []bool{
		e.Anchored, e.Inlet.Valid, e.Discharge.Valid, e.Counter.Valid, e.CounterExcess.Valid, e.CounterFacts.Readings > 0, e.SignalA.Valid,
		len(e.Sensors) > 0,
	} {
		if on {
			flags |= 1 << i
		}
	}
	b = append(b, flags)
	b = le.AppendUint64(b, uint64(int64(e.Strokes)))
	b = le.AppendUint64(b, math.Float64bits(e.CounterDelta))
	b = appendValues(b, e.Inlet, e.Discharge, e.Counter, e.CounterExcess)
	if f := &e.CounterFacts; f.Readings > 0 {
		for _, n := range []int32{f.Readings, f.Wraps, f.Resets, f.Leaps, f.Still, f.Waveform} {
			b = le.AppendUint32(b, uint32(n))
		}
		b = le.AppendUint64(b, math.Float64bits(f.Counted))
	}
	b = appendValues(b, e.SignalA)
	b = append(b, byte(feature.NumFeatures))
	var valid uint64
	for i, v := range e.Features {
		if v.Valid {
			valid |= 1 << i
		}
	}
	b = le.AppendUint64(b, valid)
	b = appendValues(b, e.Features[:]...)
	if len(e.Sensors) > 0 {
		b = append(b, byte(len(e.Sensors)))
		for _, f := range e.Sensors {
			b = append(b, byte(f.Channel), byte(f.Kind))
			b = le.AppendUint64(b, math.Float64bits(f.Observed))
			b = le.AppendUint64(b, math.Float64bits(f.Limit))
		}
	}
	b = appendBeside(b, e)
	return le.AppendUint32(b, sum([]byte(pump), b)), nil
}

func appendValues(b []byte, values ...feature.Value) []byte {
	for _, v := range values {
		if v.Valid {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v.V))
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v.SE))
		}
	}
	return b
}

// decodeEpoch reads a body back. It fails with ErrDamaged where the body is not what was written.
func decodeEpoch(pump string, body []byte) (feature.Epoch, error) {
	var e feature.Epoch
	le := binary.LittleEndian
	if len(body) < 5 {
		return e, fmt.Errorf("%w: epoch of %d bytes", ErrDamaged, len(body))
	}
	content := body[:len(body)-4]
	if le.Uint32(body[len(content):]) != sum([]byte(pump), content) {
		return e, fmt.Errorf("%w: checksum of an epoch of pump %s", ErrDamaged, pump)
	}
	r := reader{b: content}
	layout := r.byte()
	if layout < 1 || layout > epochLayout {
		return e, fmt.Errorf("%w: epoch layout %d, known is %d", ErrNewer, layout, epochLayout)
	}
	e.Start = fromNanoseconds(int64(r.uint64()))
	e.End = fromNanoseconds(int64(r.uint64()))
	e.State = feature.State(r.byte())
	flags := r.byte()
	e.Anchored = flags&flagAnchored != 0
	e.Strokes = int(int64(r.uint64()))
	e.CounterDelta = math.Float64frombits(r.uint64())
	e.Inlet = r.value(flags&flagInlet != 0)
	e.Discharge = r.value(flags&flagDischarge != 0)
	e.Counter = r.value(flags&flagCounter != 0)
	e.CounterExcess = r.value(flags&flagExcess != 0)
	if flags&flagFacts != 0 {
		f := &e.CounterFacts
		for _, n := range []*int32{&f.Readings, &f.Wraps, &f.Resets, &f.Leaps, &f.Still, &f.Waveform} {
			*n = r.int32()
		}
		f.Counted = math.Float64frombits(r.uint64())
	}
	e.SignalA = r.value(flags&flagSignal != 0)
	known := r.byte()
	if known > byte(feature.NumFeatures) {
		return feature.Epoch{}, fmt.Errorf("%w: epoch with %d features, known are %d", ErrNewer, known, feature.NumFeatures)
	}
	valid := r.uint64()
	for i := range known {
		e.Features[i] = r.value(valid&(1<<i) != 0)
	}
	if flags&flagSensors != 0 {
		if err := r.sensors(&e); err != nil {
			return feature.Epoch{}, err
		}
	}
	if layout >= 2 {
		if err := r.beside(&e); err != nil {
			return feature.Epoch{}, err
		}
	}
	if r.short || len(r.b) != 0 {
		return feature.Epoch{}, fmt.Errorf("%w: epoch of %d bytes", ErrDamaged, len(body))
	}
	return e, nil
}

// reader takes numbers off the front of b; short tells that there were too few bytes.
type reader struct {
	b     []byte
	short bool
}

// sensors reads the faults of sensors of an epoch.
func (r *reader) sensors(e *feature.Epoch) error {
	for range r.byte() {
		f := sensor.Fault{Channel: signal.Channel(r.byte()), Kind: sensor.Kind(r.byte())}
		f.Observed, f.Limit = math.Float64frombits(r.uint64()), math.Float64frombits(r.uint64())
		if f.Channel >= signal.NumChannels || f.Kind >= sensor.NumKinds {
			return fmt.Errorf("%w: fault %d of the sensor of channel %d", ErrNewer, f.Kind, f.Channel)
		}
		e.Sensors = append(e.Sensors, f)
	}
	return nil
}

func (r *reader) byte() byte {
	if len(r.b) < 1 {
		r.short = true
		return 0
	}
	v := r.b[0]
	r.b = r.b[1:]
	return v
}

func (r *reader) uint64() uint64 {
	if len(r.b) < 8 {
		r.short = true
		return 0
	}
	v := binary.LittleEndian.Uint64(r.b)
	r.b = r.b[8:]
	return v
}

func (r *reader) int32() int32 {
	if len(r.b) < 4 {
		r.short = true
		return 0
	}
	v := binary.LittleEndian.Uint32(r.b)
	r.b = r.b[4:]
	return int32(v)
}

func (r *reader) value(valid bool) feature.Value {
	if !valid {
		return feature.Value{}
	}
	return feature.Value{V: math.Float64frombits(r.uint64()), SE: math.Float64frombits(r.uint64()), Valid: true}
}
