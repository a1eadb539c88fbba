package store

import (
	"encoding/binary"
	"fmt"
	"math"

	"diastole/detect/cycle"
	"diastole/detect/feature"
)

// besides are the values that stand beside the features of an epoch. Their order is part of the layout: new ones go to the end.
func besides(e *feature.Epoch) []*feature.Value {
	return []*feature.Value{
		&e.Jitter, &e.Air[feature.AirMetered], &e.Air[feature.AirVirtual], &e.Air[feature.AirFilling], &e.LiquidPerStroke,
		&e.Creep, &e.StallAir,
	}
}

// appendBeside appends what layout 2 added to an epoch.
func appendBeside(b []byte, e *feature.Epoch) []byte {
	le := binary.LittleEndian
	values := besides(e)
	b = append(b, byte(e.Tier), byte(len(values)))
	var valid uint64
	for i, v := range values {
		if v.Valid {
			valid |= 1 << i
		}
	}
	b = le.AppendUint64(b, valid)
	for _, v := range values {
		b = appendValues(b, *v)
	}
	if e.Cycle == nil || !e.Cycle.Keep {
		return append(b, 0)
	}
	b = append(b, 1)
	b = le.AppendUint64(b, uint64(int64(e.Cycle.Strokes)))
	b = le.AppendUint64(b, math.Float64bits(e.Cycle.ShareA))
	b = le.AppendUint64(b, math.Float64bits(e.Cycle.Period))
	for _, w := range []*cycle.Wave{&e.Cycle.Inlet, &e.Cycle.Discharge} {
		b = append(b, byte(len(w.Pa)))
		for _, v := range w.Pa {
			b = le.AppendUint32(b, math.Float32bits(v))
		}
		b = le.AppendUint64(b, math.Float64bits(w.Residual))
	}
	return b
}

// beside reads what layout 2 added to an epoch.
func (r *reader) beside(e *feature.Epoch) error {
	e.Tier = feature.Tier(r.byte())
	values := besides(e)
	known := int(r.byte())
	if known > len(values) {
		return fmt.Errorf("%w: epoch with %d further values, known are %d", ErrNewer, known, len(values))
	}
	valid := r.uint64()
	for i, v := range values[:known] {
		*v = r.value(valid&(1<<i) != 0)
	}
	switch has := r.byte(); has {
	case 0:
		return nil
	case 1:
	default:
		return fmt.Errorf("%w: epoch with mark %d of a mean cycle", ErrDamaged, has)
	}
	c := &cycle.Record{Keep: true}
	c.Strokes = int(int64(r.uint64()))
	c.ShareA = math.Float64frombits(r.uint64())
	c.Period = math.Float64frombits(r.uint64())
	for _, w := range []*cycle.Wave{&c.Inlet, &c.Discharge} {
		n := int(r.byte())
		if n != 0 && n != cycle.Points {
			return fmt.Errorf("%w: mean cycle of %d points", ErrDamaged, n)
		}
		for range n {
			w.Pa = append(w.Pa, math.Float32frombits(r.uint32()))
		}
		w.Residual = math.Float64frombits(r.uint64())
	}
	e.Cycle = c
	return nil
}

func (r *reader) uint32() uint32 {
	if len(r.b) < 4 {
		r.short = true
		return 0
	}
	v := binary.LittleEndian.Uint32(r.b)
	r.b = r.b[4:]
	return v
}
