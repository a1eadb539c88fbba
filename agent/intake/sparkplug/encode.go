package sparkplug

import (
	"encoding/binary"
	"math"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
)

// Rebirth is the metric that an edge node is asked with to send its births anew
// (tck-id-operational-behavior-data-commands-rebirth-name).
const Rebirth = "Node Control/Rebirth"

// bdSeq is the metric that pairs a death with its birth.
const bdSeq = "bdSeq"

// NewMetric is a metric of one number or truth value, as a node publishes it at a time. v is rounded to what t holds.
func NewMetric(name string, t DataType, at time.Time, v float64) Metric {
	m := Metric{Name: name, HasName: true, Type: t, Timestamp: millis(at), HasTimestamp: true, Quality: QualityGood}
	switch t {
	case Boolean:
		m.kind = booleanValue
		if v != 0 {
			m.bits = 1
		}
	case Float:
		m.kind, m.bits = floatValue, uint64(math.Float32bits(float32(v)))
	case Double:
		m.kind, m.bits = doubleValue, math.Float64bits(v)
	case Int8, Int16, Int32, UInt8, UInt16:
		m.kind, m.bits = intValue, uint64(uint32(int32(math.Round(v)))) // #nosec G115 -- two's complement
	case UInt32: // chapter 6: int_value, an unsigned field of 32 bits
		m.kind, m.bits = intValue, uint64(uint32(math.Round(v)))
	default:
		m.kind, m.bits = longValue, uint64(int64(math.Round(v))) // #nosec G115 -- two's complement
	}
	return m
}

// NewText is a metric of text.
func NewText(name string, at time.Time, text string) Metric {
	return Metric{
		Name: name, HasName: true, Type: String, Timestamp: millis(at), HasTimestamp: true, Quality: QualityGood,
		kind: stringValue, data: []byte(text),
	}
}

// NewArray is a metric of evenly spaced samples, a FloatArray or a DoubleArray, whose first is of a time. A spacing of 0
// writes no property.
func NewArray(name string, t DataType, at time.Time, spacing time.Duration, values []float64) Metric {
	m := Metric{
		Name: name, HasName: true, Type: t, Timestamp: millis(at), HasTimestamp: true, Quality: QualityGood,
		Spacing: spacing.Seconds(), kind: bytesValue,
	}
	for _, v := range values {
		if t == FloatArray {
			m.data = binary.LittleEndian.AppendUint32(m.data, math.Float32bits(float32(v)))
		} else {
			m.data = binary.LittleEndian.AppendUint64(m.data, math.Float64bits(v))
		}
	}
	return m
}

// millis rounds a time to what a timestamp holds.
func millis(t time.Time) uint64 {
	return uint64(t.Round(time.Millisecond).UnixMilli()) // #nosec G115 -- after 1970
}

// Encode writes a payload.
func (p Payload) Encode() []byte {
	var b []byte
	if p.HasTimestamp {
		b = number(b, payloadTimestamp, p.Timestamp)
	}
	for i := range p.Metrics {
		b = bytesOf(b, payloadMetrics, p.Metrics[i].encode())
	}
	if p.HasSeq {
		b = number(b, payloadSeq, p.Seq)
	}
	return b
}

func (m *Metric) encode() []byte {
	var b []byte
	if m.HasName {
		b = bytesOf(b, metricName, []byte(m.Name))
	}
	if m.HasAlias {
		b = number(b, metricAlias, m.Alias)
	}
	if m.HasTimestamp {
		b = number(b, metricTimestamp, m.Timestamp)
	}
	if m.Type != Unknown {
		b = number(b, metricDatatype, uint64(m.Type))
	}
	if m.Historical {
		b = number(b, metricHistorical, 1)
	}
	if m.Null {
		b = number(b, metricNull, 1)
	}
	if p := m.properties(); p != nil {
		b = bytesOf(b, metricProperties, p)
	}
	switch m.kind {
	case intValue:
		b = number(b, metricInt, m.bits)
	case longValue:
		b = number(b, metricLong, m.bits)
	case floatValue:
		b = protowire.AppendFixed32(protowire.AppendTag(b, metricFloat, protowire.Fixed32Type), uint32(m.bits)) // #nosec G115 -- of a float32
	case doubleValue:
		b = protowire.AppendFixed64(protowire.AppendTag(b, metricDouble, protowire.Fixed64Type), m.bits)
	case booleanValue:
		b = number(b, metricBoolean, m.bits)
	case stringValue:
		b = bytesOf(b, metricString, m.data)
	case bytesValue:
		b = bytesOf(b, metricBytes, m.data)
	}
	return b
}

func (m *Metric) properties() []byte {
	var keys, values []byte
	if m.Spacing > 0 {
		keys = bytesOf(keys, setKeys, []byte("dt"))
		v := number(nil, propertyType, uint64(Double))
		v = protowire.AppendFixed64(protowire.AppendTag(v, propertyDouble, protowire.Fixed64Type), math.Float64bits(m.Spacing))
		values = bytesOf(values, setValues, v)
	}
	if m.Quality != QualityGood {
		keys = bytesOf(keys, setKeys, []byte("Quality"))
		v := number(number(nil, propertyType, uint64(Int32)), propertyInt, uint64(uint32(m.Quality))) // #nosec G115 -- a quality
		values = bytesOf(values, setValues, v)
	}
	return append(keys, values...)
}

func number(b []byte, n protowire.Number, v uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(b, n, protowire.VarintType), v)
}

func bytesOf(b []byte, n protowire.Number, v []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(b, n, protowire.BytesType), v)
}
