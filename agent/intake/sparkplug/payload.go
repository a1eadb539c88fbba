package sparkplug

import (
	"errors"
	"fmt"
	"math"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
)

// The field numbers of the payload B, which are facts of the format (chapter 6, payloads). The definition itself is not
// copied: what is read here are some twenty fields of it.
const (
	payloadTimestamp = 1
	payloadMetrics   = 2
	payloadSeq       = 3

	metricName       = 1
	metricAlias      = 2
	metricTimestamp  = 3
	metricDatatype   = 4
	metricHistorical = 5
	metricNull       = 7
	metricProperties = 9
	metricInt        = 10
	metricLong       = 11
	metricFloat      = 12
	metricDouble     = 13
	metricBoolean    = 14
	metricString     = 15
	metricBytes      = 16
	metricDataSet    = 17
	metricTemplate   = 18
	metricExtension  = 19

	setKeys   = 1
	setValues = 2

	propertyType   = 1
	propertyNull   = 2
	propertyInt    = 3
	propertyLong   = 4
	propertyFloat  = 5
	propertyDouble = 6
)

// mostMetrics is how many metrics one payload may have.
const mostMetrics = 1 << 16

// Payload is the payload of every message but STATE.
type Payload struct {
	// Timestamp is when it was sent, ms since 1970, where HasTimestamp.
	Timestamp    uint64
	HasTimestamp bool
	// Seq numbers the messages of an edge node from 0 to 255, where HasSeq.
	Seq     uint64
	HasSeq  bool
	Metrics []Metric
}

// Decode reads a payload. Text and bytes of the metrics lie in b. The error says what is wrong with it.
func Decode(b []byte) (Payload, error) {
	var p Payload
	err := fields(b, func(n protowire.Number, f field) error {
		switch n {
		case payloadTimestamp:
			p.Timestamp, p.HasTimestamp = f.bits, true
			return f.want(protowire.VarintType)
		case payloadSeq:
			p.Seq, p.HasSeq = f.bits, true
			return f.want(protowire.VarintType)
		case payloadMetrics:
			if len(p.Metrics) == mostMetrics {
				return fmt.Errorf("there are more than %d metrics", mostMetrics)
			}
			m, err := decodeMetric(f)
			if err != nil {
				return fmt.Errorf("metric %d: %w", len(p.Metrics), err)
			}
			p.Metrics = append(p.Metrics, m)
		}
		return nil
	})
	if err != nil {
		return Payload{}, fmt.Errorf("not a payload of Sparkplug B: %w", err)
	}
	return p, nil
}

// field is one field as it came: an integer or a fixed number in bits, or bytes.
type field struct {
	kind protowire.Type
	bits uint64
	data []byte
}

func (f field) want(t protowire.Type) error {
	if f.kind != t {
		return errors.New("a field is of the wrong wire type")
	}
	return nil
}

// fields calls each for every field of a message; unknown ones are of a later version and are left to it.
func fields(b []byte, each func(protowire.Number, field) error) error {
	for len(b) > 0 {
		number, kind, n := protowire.ConsumeTag(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		f := field{kind: kind}
		switch kind {
		case protowire.VarintType:
			f.bits, n = protowire.ConsumeVarint(b)
		case protowire.Fixed32Type:
			var v uint32
			v, n = protowire.ConsumeFixed32(b)
			f.bits = uint64(v)
		case protowire.Fixed64Type:
			f.bits, n = protowire.ConsumeFixed64(b)
		case protowire.BytesType:
			f.data, n = protowire.ConsumeBytes(b)
		default:
			n = protowire.ConsumeFieldValue(number, kind, b)
		}
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		if err := each(number, f); err != nil {
			return err
		}
	}
	return nil
}

func decodeMetric(f field) (Metric, error) {
	m := Metric{Quality: QualityGood}
	if err := f.want(protowire.BytesType); err != nil {
		return m, err
	}
	err := fields(f.data, func(n protowire.Number, f field) error {
		switch n {
		case metricName:
			if !utf8.Valid(f.data) {
				return errors.New("the name is not UTF-8")
			}
			m.Name, m.HasName = string(f.data), true
			return f.want(protowire.BytesType)
		case metricAlias:
			m.Alias, m.HasAlias = f.bits, true
		case metricTimestamp:
			m.Timestamp, m.HasTimestamp = f.bits, true
		case metricDatatype:
			m.Type = DataType(min(f.bits, math.MaxUint32)) // #nosec G115 -- bounded
		case metricHistorical:
			m.Historical = f.bits != 0
		case metricNull:
			m.Null = f.bits != 0
		case metricProperties:
			return decodeProperties(&m, f)
		default:
			return m.take(n, f)
		}
		return f.want(protowire.VarintType)
	})
	return m, err
}

// take is a metric's value, of whatever type.
func (m *Metric) take(n protowire.Number, f field) error {
	for _, v := range [...]struct {
		number protowire.Number
		wire   protowire.Type
		kind   kind
	}{
		{metricInt, protowire.VarintType, intValue}, {metricLong, protowire.VarintType, longValue},
		{metricFloat, protowire.Fixed32Type, floatValue}, {metricDouble, protowire.Fixed64Type, doubleValue},
		{metricBoolean, protowire.VarintType, booleanValue},
		{metricString, protowire.BytesType, stringValue}, {metricBytes, protowire.BytesType, bytesValue},
		{metricDataSet, protowire.BytesType, otherValue}, {metricTemplate, protowire.BytesType, otherValue},
		{metricExtension, protowire.BytesType, otherValue},
	} {
		if v.number != n {
			continue
		}
		m.kind, m.bits, m.data = v.kind, f.bits, f.data
		if v.kind == booleanValue {
			m.bits = min(f.bits, 1)
		}
		return f.want(v.wire)
	}
	return nil
}

// decodeProperties reads the two properties that matter: keys and values are two lists of the same length
// (tck-id-payloads-propertyset-keys-array-size).
func decodeProperties(m *Metric, f field) error {
	if err := f.want(protowire.BytesType); err != nil {
		return err
	}
	var keys []string
	var values []field
	err := fields(f.data, func(n protowire.Number, f field) error {
		switch n {
		case setKeys:
			keys = append(keys, string(f.data))
			return f.want(protowire.BytesType)
		case setValues:
			values = append(values, f)
			return f.want(protowire.BytesType)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(keys) != len(values) {
		return fmt.Errorf("there are %d keys and %d values of properties; each key has one", len(keys), len(values))
	}
	for i, key := range keys {
		if key != "Quality" && key != "dt" {
			continue
		}
		v, ok, err := property(values[i])
		if err != nil {
			return fmt.Errorf("property %s: %w", key, err)
		}
		switch {
		case !ok:
		case key == "dt":
			m.Spacing = v
		default:
			m.Quality = int64(min(max(v, -1), 1<<31))
		}
	}
	return nil
}

// property is a property's number; ok is false where it is null or no number.
func property(f field) (v float64, ok bool, err error) {
	var t DataType
	var bits uint64
	null := false
	err = fields(f.data, func(n protowire.Number, f field) error {
		switch n {
		case propertyType:
			t = DataType(min(f.bits, math.MaxUint32)) // #nosec G115 -- bounded
		case propertyNull:
			null = f.bits != 0
		case propertyInt, propertyLong:
			bits, ok = f.bits, true
			v = integer(bits, t)
		case propertyFloat:
			v, ok = float64(math.Float32frombits(uint32(f.bits))), true // #nosec G115 -- 32 bits of a fixed32
			return f.want(protowire.Fixed32Type)
		case propertyDouble:
			v, ok = math.Float64frombits(f.bits), true
			return f.want(protowire.Fixed64Type)
		default:
			return nil
		}
		return f.want(protowire.VarintType)
	})
	if math.IsNaN(v) {
		ok = false
	}
	return v, ok && !null && err == nil, err
}
