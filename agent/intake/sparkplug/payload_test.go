package sparkplug

import (
	"encoding/hex"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"
)

var t0 = time.Date(2026, 3, 1, 0, 0, 5, 0, time.UTC)

// The topics of the specification's own examples (chapter 4), and what breaks their rules.
func TestTopics(t *testing.T) {
	for text, want := range map[string]Topic{
		"spBv1.0/Sparkplug Devices/NBIRTH/Raspberry Pi": {Group: "Sparkplug Devices", Type: NodeBirth, Node: "Raspberry Pi"},
		"spBv1.0/G1/DDATA/E1/D1":                        {Group: "G1", Type: DeviceData, Node: "E1", Device: "D1"},
		"spBv1.0/G1/NCMD/E1":                            {Group: "G1", Type: NodeCommand, Node: "E1"},
		"spBv1.0/STATE/host-1":                          {Type: State, Host: "host-1"},
	} {
		got, err := ParseTopic(text)
		if err != nil || got != want || got.String() != text {
			t.Errorf("%s: %+v, %v", text, got, err)
		}
	}
	for text, want := range map[string]string{
		"north/p101/air":           "does not begin with spBv1.0/",
		"spAv1.0/G1/NDATA/E1":      "does not begin with spBv1.0/",
		"spBv1.0":                  "does not begin with spBv1.0/",
		"spBv1.0/G1/NDATA":         "has 3 levels",
		"spBv1.0/G1/NDATA/E1/D1":   "NDATA names no device",
		"spBv1.0/G1/DDATA/E1":      "DDATA names a device",
		"spBv1.0/G1/DDATA/E1/D1/x": "DDATA names a device",
		"spBv1.0/G1/XDATA/E1":      `the type "XDATA" is not known`,
		"spBv1.0/G1/DDATA/E1/+":    "a level is empty or has one of + and #",
		"spBv1.0//NDATA/E1":        "a level is empty",
		"spBv1.0/STATE/host/1":     "a STATE topic is spBv1.0/STATE/HOST",
		"spBv1.0/G1/STATE/host-1":  `the type "STATE" is not known`,
	} {
		if _, err := ParseTopic(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v; want %q", text, err, want)
		}
	}
	if _, err := ParseTopic("north/p101"); !errors.Is(err, ErrNotSparkplug) {
		t.Error(err)
	}
	want := []string{
		"spBv1.0/G1/NBIRTH/E1", "spBv1.0/G1/NDATA/E1", "spBv1.0/G1/NDEATH/E1",
		"spBv1.0/G1/DBIRTH/E1/+", "spBv1.0/G1/DDATA/E1/+", "spBv1.0/G1/DDEATH/E1/+",
	}
	if diff := cmp.Diff(want, (Topic{Group: "G1", Type: DeviceData, Node: "E1", Device: "D1"}).Filters()); diff != "" {
		t.Error(diff)
	}
}

// The examples of the specification (chapter 6, array types). Its text and those of the integers are little-endian; those of
// FloatArray and DoubleArray stand there in the other order, against the text, and are turned here.
func TestArrays(t *testing.T) {
	for _, tt := range []struct {
		kind DataType
		hex  string
		want []float64
	}{
		{Int8Array, "ef 7b", []float64{-17, 123}}, // printed there as [-23, 123]; 0xEF is -17
		{Int32Array, "15 cd 5b 07 b1 68 de 3a", []float64{123456789, 987654321}},
		{UInt16Array, "1e 00 88 cc", []float64{30, 52360}},
		{UInt32Array, "34 00 00 00 49 fb 55 c4", []float64{52, 3293969225}},
		{UInt64Array, "34 00 00 00 00 00 00 00 d9 9e 02 d1 b2 76 37 e4", []float64{52, 16444743074749521625}},
		{FloatArray, "a4 70 9d 3f 98 ae b2 42", []float64{float64(float32(1.23)), float64(float32(89.341))}},
		{DoubleArray, "d7 a2 05 68 5b b5 28 40 8e 17 1c 6f 4c f7 8f 40", []float64{12.354213, 1022.9123213}},
		{BooleanArray, "0c 00 00 00 34 d0", []float64{0, 0, 1, 1, 0, 1, 0, 0, 1, 1, 0, 1}},
		{Int16Array, "ff ff 00 80", []float64{-1, -32768}},
		{Int64Array, "ff ff ff ff ff ff ff ff", []float64{-1}},
		{UInt8Array, "ff", []float64{255}},
	} {
		m := Metric{Type: tt.kind, kind: bytesValue, data: unhex(t, tt.hex)}
		got, err := m.Numbers(nil)
		if diff := cmp.Diff(tt.want, got); diff != "" || err != nil {
			t.Errorf("type %d: %v (-want +got):\n%s", tt.kind, err, diff)
		}
	}
	for text, m := range map[string]Metric{
		"is not a multiple of the 4": {Type: FloatArray, kind: bytesValue, data: make([]byte, 7)},
		"begins with their number":   {Type: BooleanArray, kind: bytesValue, data: make([]byte, 3)},
		"it must have 2":             {Type: BooleanArray, kind: bytesValue, data: []byte{9, 0, 0, 0, 1}},
		"it must have 536870912":     {Type: BooleanArray, kind: bytesValue, data: []byte{255, 255, 255, 255, 1}},
		"an array travels as bytes":  {Type: FloatArray, kind: floatValue},
		"the value is no number":     {Type: 33, kind: bytesValue, data: []byte("ABC\x00")},
	} {
		if got, err := m.Numbers(nil); err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%v, %v; want %q", got, err, text)
		}
	}
}

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Signed integers travel in unsigned fields: as two's complement of 32 bits, of the type's own length, or sign-extended.
func TestIntegers(t *testing.T) {
	for _, tt := range []struct {
		kind DataType
		bits uint64
		want float64
	}{
		{Int32, 4294967295, -1}, {Int8, 0xff, -1}, {Int8, 0xffffffff, -1}, {Int16, 0x8000, -32768}, {Int16, 0xffff8000, -32768},
		{Int64, math.MaxUint64, -1}, {UInt32, 4294967295, 4294967295}, {UInt64, 1 << 53, 1 << 53}, {UInt8, 200, 200}, {Unknown, 7, 7},
	} {
		m := Metric{Type: tt.kind, kind: longValue, bits: tt.bits}
		if got, err := m.Number(); err != nil || got != tt.want {
			t.Errorf("type %d, %d: %g, %v; want %g", tt.kind, tt.bits, got, err, tt.want)
		}
	}
	for _, kind := range []kind{stringValue, bytesValue, otherValue, noValue} {
		if got, err := (&Metric{kind: kind}).Number(); err == nil {
			t.Errorf("kind %d is the number %g", kind, got)
		}
	}
}

// What is encoded is decoded again, and unknown fields of a later version are passed over.
func TestPayloadRoundTrip(t *testing.T) {
	historical := NewMetric("p", Float, t0, 4.25)
	historical.Historical, historical.Quality = true, QualityStale
	null := Metric{Name: "gone", HasName: true, Type: Double, Null: true, Quality: QualityGood}
	alias := NewMetric("", UInt16, t0, 65535)
	alias.Name, alias.HasName, alias.Alias, alias.HasAlias = "", false, 0, true
	p := Payload{
		Timestamp: millis(t0), HasTimestamp: true, Seq: 255, HasSeq: true,
		Metrics: []Metric{
			historical, null, alias, NewMetric("d", Double, t0, -1e-9), NewMetric("b", Boolean, t0, 1), NewMetric("n", Int16, t0, -5),
			NewMetric("l", Int64, t0, -1<<40), NewText("s", t0, "clean"),
			NewArray("w", FloatArray, t0, 10*time.Millisecond, []float64{1, 2.5}), NewArray("v", DoubleArray, t0, 0, []float64{1.1}),
		},
	}
	b := p.Encode()
	b = protowire.AppendBytes(protowire.AppendTag(b, 77, protowire.BytesType), []byte("later"))
	got, err := Decode(b)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(p, got, cmp.AllowUnexported(Metric{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// The module's own protobuf library reads what is written here and writes what is read here, by a descriptor that is built
// from the field numbers of chapter 6.
func TestAgreesWithTheProtobufLibrary(t *testing.T) {
	payload := descriptor(t)
	p := Payload{Timestamp: 1772323205000, HasTimestamp: true, Seq: 7, HasSeq: true, Metrics: []Metric{
		NewMetric("rate", Float, t0, 3.5), NewMetric("count", UInt32, t0, 42), NewMetric("wet", Boolean, t0, 1), NewText("mode", t0, "run"),
		NewArray("wave", DoubleArray, t0, 20*time.Millisecond, []float64{1, -2}),
	}}
	msg := dynamicpb.NewMessage(payload)
	if err := proto.Unmarshal(p.Encode(), msg); err != nil {
		t.Fatal(err)
	}
	if len(msg.GetUnknown()) != 0 {
		t.Errorf("the library does not know % x", msg.GetUnknown())
	}
	metrics := msg.Get(payload.Fields().ByName("metrics")).List()
	if metrics.Len() != 5 {
		t.Fatalf("%d metrics", metrics.Len())
	}
	m := metrics.Get(0).Message()
	field := func(name string) protoreflect.Value {
		return m.Get(m.Descriptor().Fields().ByName(protoreflect.Name(name)))
	}
	if field("name").String() != "rate" || field("float_value").Float() != 3.5 || field("datatype").Uint() != 9 || field("timestamp").Uint() != 1772323205000 {
		t.Errorf("the library reads %v", m)
	}
	again, err := proto.Marshal(msg)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Decode(again)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(p, got, cmp.AllowUnexported(Metric{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// descriptor describes the fields that are read, by name, number and type.
func descriptor(t *testing.T) protoreflect.MessageDescriptor {
	t.Helper()
	type kind = descriptorpb.FieldDescriptorProto_Type
	const (
		u32, u64, text, raw = descriptorpb.FieldDescriptorProto_TYPE_UINT32, descriptorpb.FieldDescriptorProto_TYPE_UINT64, descriptorpb.FieldDescriptorProto_TYPE_STRING, descriptorpb.FieldDescriptorProto_TYPE_BYTES
		f32, f64, truth     = descriptorpb.FieldDescriptorProto_TYPE_FLOAT, descriptorpb.FieldDescriptorProto_TYPE_DOUBLE, descriptorpb.FieldDescriptorProto_TYPE_BOOL
	)
	one := func(name string, number int32, k kind) *descriptorpb.FieldDescriptorProto {
		label := descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL
		return &descriptorpb.FieldDescriptorProto{Name: &name, Number: &number, Type: &k, Label: &label}
	}
	of := func(name string, number int32, typeName string, many bool) *descriptorpb.FieldDescriptorProto {
		f := one(name, number, descriptorpb.FieldDescriptorProto_TYPE_MESSAGE)
		f.TypeName = &typeName
		if many {
			label := descriptorpb.FieldDescriptorProto_LABEL_REPEATED
			f.Label = &label
		}
		return f
	}
	keys := one("keys", 1, text)
	repeated := descriptorpb.FieldDescriptorProto_LABEL_REPEATED
	keys.Label = &repeated
	message := func(name string, fields ...*descriptorpb.FieldDescriptorProto) *descriptorpb.DescriptorProto {
		return &descriptorpb.DescriptorProto{Name: &name, Field: fields}
	}
	file := &descriptorpb.FileDescriptorProto{
		Name: new("fields.proto"), Syntax: new("proto2"), Package: new("check"),
		MessageType: []*descriptorpb.DescriptorProto{
			message("PropertyValue", one("type", 1, u32), one("is_null", 2, truth), one("int_value", 3, u32), one("long_value", 4, u64), one("float_value", 5, f32), one("double_value", 6, f64)),
			message("PropertySet", keys, of("values", 2, ".check.PropertyValue", true)),
			message("Metric", one("name", 1, text), one("alias", 2, u64), one("timestamp", 3, u64), one("datatype", 4, u32), one("is_historical", 5, truth),
				one("is_null", 7, truth), of("properties", 9, ".check.PropertySet", false), one("int_value", 10, u32), one("long_value", 11, u64),
				one("float_value", 12, f32), one("double_value", 13, f64), one("boolean_value", 14, truth), one("string_value", 15, text), one("bytes_value", 16, raw)),
			message("Payload", one("timestamp", 1, u64), of("metrics", 2, ".check.Metric", true), one("seq", 3, u64)),
		},
	}
	f, err := protodesc.NewFile(file, nil)
	if err != nil {
		t.Fatal(err)
	}
	return f.Messages().ByName("Payload")
}

func TestDecodeRefuses(t *testing.T) {
	for text, b := range map[string][]byte{
		"metric 0: a field is of the wrong wire type": number(nil, payloadMetrics, 1),
		"a field is of the wrong wire type":           bytesOf(nil, payloadSeq, []byte("x")),
		"unexpected EOF":                              {0x12, 0x7f, 0x01},
		"the name is not UTF-8":                       bytesOf(nil, payloadMetrics, bytesOf(nil, metricName, []byte{0xff})),
		"1 keys and 0 values":                         bytesOf(nil, payloadMetrics, bytesOf(nil, metricProperties, bytesOf(nil, setKeys, []byte("dt")))),
	} {
		if _, err := Decode(b); err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%x: %v; want %q", b, err, text)
		}
	}
}

// Chapter 4 and 6: {"online": true, "timestamp": ms}; version 2.2 wrote one word.
func TestState(t *testing.T) {
	got, err := DecodeState([]byte(`{"online":true,"timestamp":1668114759262}`))
	if want := (HostState{true, time.UnixMilli(1668114759262).UTC()}); err != nil || got != want {
		t.Errorf("%v, %v", got, err)
	}
	if got, err := DecodeState([]byte("OFFLINE")); err != nil || got.Online {
		t.Errorf("%v, %v", got, err)
	}
	for _, text := range []string{``, `{}`, `{"online":true}`, `{"online":"yes","timestamp":1}`, `online`} {
		if got, err := DecodeState([]byte(text)); err == nil {
			t.Errorf("%q gave %v", text, got)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(Payload{Seq: 1, HasSeq: true, Metrics: []Metric{NewMetric("p", Float, t0, 1), NewArray("w", FloatArray, t0, time.Millisecond, []float64{1, 2})}}.Encode())
	f.Add(bytesOf(nil, payloadMetrics, bytesOf(nil, metricProperties, bytesOf(bytesOf(nil, setKeys, []byte("Quality")), setValues, number(nil, propertyInt, 500)))))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := Decode(b)
		if err != nil {
			return
		}
		for i := range p.Metrics {
			m := &p.Metrics[i]
			if v, err := m.Number(); err == nil && m.IsText() {
				t.Fatalf("text is the number %g", v)
			}
			if v, err := m.Numbers(nil); err == nil && len(v) > 8*len(b) {
				t.Fatalf("%d bytes gave %d samples", len(b), len(v))
			}
		}
	})
}
