package sparkplug

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// DataType is the type of a metric's value.
type DataType uint32

// The types that carry numbers or text (chapter 6, payloads; the numbers are those of its enumeration).
const (
	Unknown  DataType = 0
	Int8     DataType = 1
	Int16    DataType = 2
	Int32    DataType = 3
	Int64    DataType = 4
	UInt8    DataType = 5
	UInt16   DataType = 6
	UInt32   DataType = 7
	UInt64   DataType = 8
	Float    DataType = 9
	Double   DataType = 10
	Boolean  DataType = 11
	String   DataType = 12
	DateTime DataType = 13
	Text     DataType = 14
	UUID     DataType = 15

	Int8Array    DataType = 22
	Int16Array   DataType = 23
	Int32Array   DataType = 24
	Int64Array   DataType = 25
	UInt8Array   DataType = 26
	UInt16Array  DataType = 27
	UInt32Array  DataType = 28
	UInt64Array  DataType = 29
	FloatArray   DataType = 30
	DoubleArray  DataType = 31
	BooleanArray DataType = 32
)

// The qualities of a value, those of the property Quality (tck-id-payloads-propertyset-quality-value-value).
const (
	QualityBad   = 0
	QualityGood  = 192
	QualityStale = 500
)

// kind is in which field of the payload a value came.
type kind uint8

const (
	noValue kind = iota
	intValue
	longValue
	floatValue
	doubleValue
	booleanValue
	stringValue
	bytesValue
	otherValue // a data set, a template or an extension
)

// Metric is one value of a payload.
type Metric struct {
	Name    string
	HasName bool
	Alias   uint64
	// HasAlias tells an alias of 0 from none.
	HasAlias bool
	// Timestamp is in ms since 1970, where HasTimestamp.
	Timestamp    uint64
	HasTimestamp bool
	Type         DataType
	// Historical is a value of the past that was kept while the node was offline; Null a value that is not there.
	Historical, Null bool
	// Quality is the property of that name, QualityGood where there is none.
	Quality int64
	// Spacing is the property dt: the time between the samples of an array, in s; 0 where there is none.
	Spacing float64

	kind kind
	bits uint64 // of an integer, a float, a double or a truth value, as it came
	data []byte // of text or bytes; it lies in the payload
}

// IsArray tells a metric whose value is several samples.
func (m *Metric) IsArray() bool { return m.Type >= Int8Array && m.Type <= BooleanArray }

// IsText tells a metric whose value is text.
func (m *Metric) IsText() bool { return m.kind == stringValue }

// IsBoolean tells a metric whose value is true or false.
func (m *Metric) IsBoolean() bool { return m.kind == booleanValue }

// Text is the value of a metric of text.
func (m *Metric) Text() string { return string(m.data) }

// ErrNoNumber is a metric whose value is no number.
var ErrNoNumber = errors.New("the value is no number")

// Number is the value of a metric of one number; true is 1 and false is 0. Integers below 2^53 are exact.
func (m *Metric) Number() (float64, error) {
	switch m.kind {
	case intValue, longValue:
		return integer(m.bits, m.Type), nil
	case floatValue:
		return float64(math.Float32frombits(uint32(m.bits))), nil // #nosec G115 -- these bits alone were set
	case doubleValue:
		return math.Float64frombits(m.bits), nil
	case booleanValue:
		return float64(m.bits), nil
	}
	return 0, ErrNoNumber
}

// integer reads the bits of an integer by its type. A signed one travels in an unsigned field as two's complement of its
// own length or of the field's (tck-id-payloads-metric-datatype-value); reading its lowest bits takes both.
func integer(bits uint64, t DataType) float64 {
	switch t {
	case Int8:
		return float64(int8(bits)) // #nosec G115 -- two's complement
	case Int16:
		return float64(int16(bits)) // #nosec G115 -- two's complement
	case Int32:
		return float64(int32(bits)) // #nosec G115 -- two's complement
	case Int64:
		return float64(int64(bits)) // #nosec G115 -- two's complement
	}
	return float64(bits)
}

// elements are the types of an array's samples and their length in bytes.
var elements = map[DataType]struct {
	size int
	read func([]byte) float64
}{
	Int8Array:   {1, func(b []byte) float64 { return float64(int8(b[0])) }},                           // #nosec G115 -- two's complement
	Int16Array:  {2, func(b []byte) float64 { return float64(int16(binary.LittleEndian.Uint16(b))) }}, // #nosec G115 -- two's complement
	Int32Array:  {4, func(b []byte) float64 { return float64(int32(binary.LittleEndian.Uint32(b))) }}, // #nosec G115 -- two's complement
	Int64Array:  {8, func(b []byte) float64 { return float64(int64(binary.LittleEndian.Uint64(b))) }}, // #nosec G115 -- two's complement
	UInt8Array:  {1, func(b []byte) float64 { return float64(b[0]) }},
	UInt16Array: {2, func(b []byte) float64 { return float64(binary.LittleEndian.Uint16(b)) }},
	UInt32Array: {4, func(b []byte) float64 { return float64(binary.LittleEndian.Uint32(b)) }},
	UInt64Array: {8, func(b []byte) float64 { return float64(binary.LittleEndian.Uint64(b)) }},
	FloatArray:  {4, func(b []byte) float64 { return float64(math.Float32frombits(binary.LittleEndian.Uint32(b))) }},
	DoubleArray: {8, func(b []byte) float64 { return math.Float64frombits(binary.LittleEndian.Uint64(b)) }},
}

// Numbers appends the samples of an array to dst: little-endian, packed (chapter 6, array types). The error says what is
// wrong with the bytes.
func (m *Metric) Numbers(dst []float64) ([]float64, error) {
	if m.kind != bytesValue {
		return dst, fmt.Errorf("%w: an array travels as bytes", ErrNoNumber)
	}
	if m.Type == BooleanArray {
		return m.truths(dst)
	}
	e, ok := elements[m.Type]
	if !ok {
		return dst, ErrNoNumber
	}
	if len(m.data)%e.size != 0 {
		return dst, fmt.Errorf("an array of %d bytes is not a multiple of the %d of a sample", len(m.data), e.size)
	}
	for b := m.data; len(b) > 0; b = b[e.size:] {
		dst = append(dst, e.read(b))
	}
	return dst, nil
}

// truths reads an array of bits, the highest first, behind their number in 4 bytes.
func (m *Metric) truths(dst []float64) ([]float64, error) {
	if len(m.data) < 4 {
		return dst, fmt.Errorf("an array of bits has %d bytes; it begins with their number in 4", len(m.data))
	}
	n, bits := int64(binary.LittleEndian.Uint32(m.data)), m.data[4:]
	if want := (n + 7) / 8; want != int64(len(bits)) {
		return dst, fmt.Errorf("an array of %d bits has %d bytes of them; it must have %d", n, len(bits), want)
	}
	for i := range n {
		dst = append(dst, float64(bits[i/8]>>(7-i%8)&1))
	}
	return dst, nil
}
