package payload

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"diastole/agent/config"
	"diastole/detect/signal"
)

// rfc8428 are examples of RFC 8428, sections 5.1.1 to 5.1.3, as they stand there.
const (
	senmlSingle   = `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`
	senmlTwo      = `[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]`
	senmlRelative = `[
     {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
      "bu":"A","bver":5,
      "n":"voltage","u":"V","v":120.1},
     {"n":"current","t":-5,"v":1.2},
     {"n":"current","t":-4,"v":1.3},
     {"n":"current","t":-3,"v":1.4},
     {"n":"current","t":-2,"v":1.5},
     {"n":"current","t":-1,"v":1.6},
     {"n":"current","v":1.7}
   ]`
	senmlPlaces = `[
     {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
      "bu":"%RH","v":20},
     {"t":60,"v":20.3},
     {"t":120,"v":20.7},
     {"u":"%EL","t":150,"v":98},
     {"t":180,"v":21.2}
   ]`
	senmlTypes = `[
     {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
     {"n":"label","vs":"Machine Room"},
     {"n":"open","vb":false},
     {"n":"nfc-reader","vd":"aGkgCg"}
   ]`
)

// senmlCBORHex is the CBOR of senmlRelative in RFC 8428, section 6.
const senmlCBORHex = `87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a
31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00
67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06
24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc
cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e
74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67
63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
33 33 33`

func fromHex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.Join(strings.Fields(text), ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func senmlCodec(t testing.TB, ch config.Channel) *Codec {
	t.Helper()
	ch.Format = config.FormatSenML
	return codecFor(t, ch)
}

func reading(at time.Time, v float64) signal.Chunk {
	return signal.Chunk{Channel: signal.LiquidFlow, Start: at.UTC(), Values: []float64{v}}
}

// Section 5.1.4 of the RFC resolves its examples to these times and values.
func TestSenMLResolvesTheExamplesOfTheRFC(t *testing.T) {
	relative := time.Unix(1276020076, 1e6)
	current := []signal.Chunk{
		reading(relative.Add(-5*time.Second), 1.2), reading(relative.Add(-4*time.Second), 1.3), reading(relative.Add(-3*time.Second), 1.4),
		reading(relative.Add(-2*time.Second), 1.5), reading(relative.Add(-1*time.Second), 1.6), reading(relative, 1.7),
	}
	places := time.Unix(1320067464, 0)
	for _, tt := range []struct {
		payload []byte
		name    string
		want    []signal.Chunk
	}{
		{[]byte(senmlSingle), "urn:dev:ow:10e2073a01080063", []signal.Chunk{reading(arrival, 23.1)}},
		{[]byte(senmlTwo), "urn:dev:ow:10e2073a01080063:voltage", []signal.Chunk{reading(arrival, 120.1)}},
		{[]byte(senmlTwo), "urn:dev:ow:10e2073a01080063:current", []signal.Chunk{reading(arrival, 1.2)}},
		{[]byte(senmlRelative), "urn:dev:ow:10e2073a0108006:voltage", []signal.Chunk{reading(relative, 120.1)}},
		{[]byte(senmlRelative), "urn:dev:ow:10e2073a0108006:current", current},
		{fromHex(t, senmlCBORHex), "urn:dev:ow:10e2073a0108006:voltage", []signal.Chunk{reading(relative, 120.1)}},
		{fromHex(t, senmlCBORHex), "urn:dev:ow:10e2073a0108006:current", current},
		// Records of one name and several units are told apart by nobody: the RFC's own example mixes two.
		{[]byte(senmlPlaces), "urn:dev:ow:10e2073a01080063", []signal.Chunk{
			reading(places, 20), reading(places.Add(60*time.Second), 20.3), reading(places.Add(120*time.Second), 20.7),
			reading(places.Add(150*time.Second), 98), reading(places.Add(180*time.Second), 21.2),
		}},
	} {
		got, err := senmlCodec(t, config.Channel{Channel: signal.LiquidFlow, Name: tt.name}).Decode(new(Samples), tt.payload, arrival)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}

func TestSenMLValues(t *testing.T) {
	states := map[string]signal.Service{"Machine Room": signal.ServiceOut, "false": signal.ServiceClean, "2": signal.ServicePurge}
	good := func(ch config.Channel, payload string, want float64) {
		t.Helper()
		got, err := decodeOne(senmlCodec(t, ch), []byte(payload))
		if err != nil || len(got.Values) != 1 || got.Values[0] != want {
			t.Errorf("%s: %v, %v; want %g", payload, got, err, want)
		}
	}
	const dev = "urn:dev:ow:10e2073a01080063:"
	good(config.Channel{Channel: signal.AirValveOpen, Name: dev + "open"}, senmlTypes, 0)
	good(config.Channel{Channel: signal.ServiceState, Name: dev + "label", States: states}, senmlTypes, float64(signal.ServiceOut))
	good(config.Channel{Channel: signal.ServiceState, Name: dev + "open", States: states}, senmlTypes, float64(signal.ServiceClean))
	good(config.Channel{Channel: signal.ServiceState, Name: "s", States: states}, `[{"n":"s","v":2}]`, float64(signal.ServicePurge))
	good(config.Channel{Name: dev + "temp", Unit: "Cel"}, senmlTypes, 23.1)
	// Base values add, and stand alone where there is no value (section 4.5.4).
	good(config.Channel{Name: "p"}, `[{"bn":"p","bv":3},{"v":0.5}]`, 3.5)
	good(config.Channel{Name: "pq"}, `[{"bn":"p","bv":3},{"n":"q"},{"n":"q","bv":4}]`, 4)
	// A time relative to now lies before the arrival (section 4.5.3), and fields that are not known are passed over.
	got, err := decodeOne(senmlCodec(t, config.Channel{Name: "p"}), []byte(`[{"n":"p","t":-2.5,"v":1,"extra":{}}]`))
	if err != nil || !got.Start.Equal(arrival.Add(-2500*time.Millisecond)) {
		t.Errorf("a relative time gave %v, %v", got, err)
	}

	bad := func(ch config.Channel, payload string, want Reason, text string) {
		t.Helper()
		checkRefused(t, senmlCodec(t, ch), payload, want, text)
	}
	p := config.Channel{Name: "p"}
	bad(p, `{"n":"p","v":1}`, Syntax, "the payload is an object; a pack is a list of records")
	bad(p, `[1]`, Syntax, "record 0 is a number")
	bad(p, `[]`, Empty, "no records")
	bad(p, "\x80", Empty, "no records")
	bad(p, "\x82\xa0", Syntax, "not a pack in CBOR")
	bad(p, `[{"n":"q","v":1},{"n":"r","v":1}]`, Missing, `no record named "p" has a value; the pack has "q", "r"`)
	bad(p, `[{"n":"p"}]`, Missing, `no record named "p" has a value`)
	bad(p, `[{"n":"p","s":7}]`, Missing, "has a value") // a sum is no sample
	bad(p, `[{"n":"p","v":null}]`, NotANumber, "record 0: v is null")
	bad(p, `[{"n":"p","v":"1"}]`, NotANumber, "v is text")
	bad(p, `[{"n":"p","v":1e400}]`, NotANumber, "too large")
	bad(p, `[{"n":"p","vs":"on"}]`, NotANumber, `"on" is not a number`)
	bad(p, `[{"n":"p","vb":true}]`, NotANumber, "true")
	bad(p, `[{"n":"p","t":"now","v":1}]`, Syntax, "t is text")
	bad(p, `[{"bt":"now","n":"p","v":1}]`, NotANumber, "bt is text")
	bad(p, `[{"bn":1,"v":1}]`, Syntax, "bn is a number")
	bad(p, `[{"v":1}]`, Syntax, `the name "" is not one of SenML`)
	bad(p, `[{"n":"_p","v":1}]`, Syntax, "is not one of SenML")
	bad(p, `[{"n":"p q","v":1}]`, Syntax, "is not one of SenML")
	bad(p, `[{"n":"p","v":1,"bver":11}]`, Syntax, "versions up to 10")                                        // section 4.4
	bad(p, `[{"n":"p","v":1},{"n":"q","mine_":1}]`, Syntax, `record 1: the field "mine_" must be understood`) // section 4.4
	bad(p, `[{"n":"p","t":9.3e9,"v":1}]`, Clock, "further than a time can reach")
	bad(config.Channel{Name: "p", Unit: "bar"}, `[{"n":"p","u":"kPa","v":480}]`, Unit, "the record is in kPa, the configuration says bar")
	bad(config.Channel{Channel: signal.ServiceState, Name: "s", States: states}, `[{"n":"s","vs":"run"}]`, Unmapped, "states names 2, Machine Room, false")
}

// Section 6 allows integers, floats of each length and decimal fractions; labels are numbers, other fields text.
func TestSenMLNumbersInCBOR(t *testing.T) {
	c := senmlCodec(t, config.Channel{Name: "p"})
	for value, want := range map[string]float64{
		"18 2a":                    42,
		"38 63":                    -100,
		"1b 0020000000000000":      1 << 53,
		"f9 3e00":                  1.5,
		"fa 40900000":              4.5,
		"fb 3ff3333333333333":      1.2,
		"c4 82 20 19 0111":         27.3,                 // RFC 8949, section 3.4.4: [-2, 27315] is 273.15; here [-1, 273]
		"c2 49 010000000000000000": 18446744073709551616, // RFC 8949, appendix A
	} {
		got, err := decodeOne(c, fromHex(t, "81 a2 00 61 70 02 "+value))
		if err != nil || got.Values[0] != want {
			t.Errorf("%s: %v, %v; want %g", value, got, err, want)
		}
	}
	// The names of JSON are accepted too, and an unknown label is passed over.
	if got, err := decodeOne(c, fromHex(t, "81 a3 61 6e 61 70 61 76 05 18 63 f6")); err != nil || got.Values[0] != 5 {
		t.Errorf("%v, %v", got, err)
	}
}

// A burst at 100 Hz is one waveform, whatever its times were rounded to; what comes at a human pace stays single readings.
func TestSenMLBurstIsAWaveform(t *testing.T) {
	type record struct {
		BaseName string  `cbor:"-2,keyasint,omitempty"`
		BaseTime float64 `cbor:"-3,keyasint,omitempty"`
		Time     float64 `cbor:"6,keyasint,omitempty"`
		Value    float64 `cbor:"2,keyasint"`
	}
	var pack []record
	for i := range 100 {
		pack = append(pack, record{Time: float64(i) / 100, Value: float64(i)})
	}
	pack[0].BaseName, pack[0].BaseTime = "p", 1772323201.25
	payload, err := cbor.Marshal(pack)
	if err != nil {
		t.Fatal(err)
	}
	got, err := decodeOne(senmlCodec(t, config.Channel{Name: "p"}), payload)
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 1, 0, 0, 1, 250e6, time.UTC)
	if len(got.Values) != 100 || got.Values[99] != 99 || !got.Start.Equal(start) || (got.Step-10*time.Millisecond).Abs() > time.Microsecond {
		t.Errorf("%d values from %v, step %v", len(got.Values), got.Start, got.Step)
	}
	uneven := `[{"bn":"p","bt":1772323201},{"t":0,"v":1},{"t":0.01,"v":2},{"t":0.02,"v":3},{"t":0.5,"v":4},{"t":1.5,"v":5}]`
	chunks, err := senmlCodec(t, config.Channel{Channel: signal.LiquidFlow, Name: "p"}).Decode(new(Samples), []byte(uneven), arrival)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Unix(1772323201, 0).UTC()
	want := []signal.Chunk{
		{Channel: signal.LiquidFlow, Start: at, Step: 10 * time.Millisecond, Values: []float64{1, 2, 3}},
		reading(at.Add(500*time.Millisecond), 4), reading(at.Add(1500*time.Millisecond), 5),
	}
	if diff := cmp.Diff(want, chunks, cmpopts.EquateApproxTime(time.Microsecond)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A switch that is told by its state gives its closings, however evenly they follow.
func TestSwitchOfARecordGivesEdges(t *testing.T) {
	pack := `[{"bn":"sw","bt":1772323201},{"t":0,"vb":true},{"t":0.1,"vb":false},{"t":0.2,"vb":true},{"t":0.3,"vb":false},{"t":0.4,"v":1}]`
	c := senmlCodec(t, config.Channel{Channel: signal.StrokeEdge, Name: "sw"})
	chunks, err := c.Decode(new(Samples), []byte(pack), arrival)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Unix(1772323201, 0).UTC()
	var want []signal.Chunk
	for _, ms := range []int64{0, 200, 400} {
		want = append(want, signal.Chunk{Channel: signal.StrokeEdge, Start: at.Add(time.Duration(ms) * time.Millisecond), Values: []float64{0}})
	}
	if diff := cmp.Diff(want, chunks, cmpopts.EquateApproxTime(time.Microsecond)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func FuzzSenML(f *testing.F) {
	for _, s := range []string{senmlSingle, senmlTwo, senmlRelative, senmlPlaces, senmlTypes, `[{"bn":"urn:dev:ow:10e2073a01080063","bv":1e308,"v":1e308}]`} {
		f.Add([]byte(s))
	}
	f.Add(fromHex(f, senmlCBORHex))
	f.Add(fromHex(f, "81 a2 00 61 70 02 c4 82 20 19 0111"))
	c := senmlCodec(f, config.Channel{Channel: signal.LiquidFlow, Name: "urn:dev:ow:10e2073a01080063"})
	f.Fuzz(func(t *testing.T, payload []byte) { checkDecode(t, c, payload) })
}
