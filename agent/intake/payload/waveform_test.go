package payload

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"diastole/agent/config"
	"diastole/detect/signal"
)

// sameWaveform checks that the scanner, where it takes a payload, reads what encoding/json and strconv read.
func sameWaveform(t interface {
	Helper()
	Fatalf(string, ...any)
}, payload []byte) (scanned bool) {
	t.Helper()
	s := scanner{b: payload}
	start, step, values, ok := s.waveform(nil)
	if !ok {
		return false
	}
	slowStart, slowStep, slowValues, bad := decodeAnyWaveform(nil, payload)
	if bad != nil {
		t.Fatalf("%q: the scanner takes what encoding/json refuses: %v", payload, bad)
	}
	if !start.Equal(slowStart) || step != slowStep || len(values) != len(slowValues) {
		t.Fatalf("%q: %v %v %d values; encoding/json %v %v %d", payload, start, step, len(values), slowStart, slowStep, len(slowValues))
	}
	for i, v := range values {
		if math.Float64bits(v) != math.Float64bits(slowValues[i]) {
			t.Fatalf("%q: v[%d] is %g; strconv says %g", payload, i, v, slowValues[i])
		}
	}
	return true
}

func TestScannerAgreesWithEncodingJSON(t *testing.T) {
	number := rapid.OneOf(
		rapid.StringMatching(`-?(0|[1-9][0-9]{0,3})(\.[0-9]{1,6})?`),
		rapid.StringMatching(`-?(0|[1-9][0-9]{0,22})(\.[0-9]{1,22})?([eE][+-]?[0-9]{1,2})?`),
		rapid.Custom(func(t *rapid.T) string {
			return strconv.FormatFloat(rapid.Float64Range(-1e300, 1e300).Draw(t, "v"), 'g', -1, 64)
		}),
	)
	space := rapid.StringMatching(`[ \n\r\t]{0,2}`)
	rapid.Check(t, func(t *rapid.T) {
		ns := rapid.Int64Range(0, 4e18).Draw(t, "ns")
		zone := rapid.SampledFrom([]*time.Location{time.UTC, time.FixedZone("", 3600), time.FixedZone("", -12600)}).Draw(t, "zone")
		members := [][2]string{
			{`"t"`, strconv.Quote(time.Unix(0, ns).In(zone).Format(time.RFC3339Nano))},
			{`"dt"`, rapid.SampledFrom([]string{"0.01", "1e-2", "0.003333333", "1", "3600", "0.000001"}).Draw(t, "dt")},
		}
		list := ""
		for i, v := range rapid.SliceOfN(number, 1, 20).Draw(t, "v") {
			if i > 0 {
				list += ","
			}
			list += space.Draw(t, "space") + v + space.Draw(t, "space")
		}
		members = append(members, [2]string{`"v"`, "[" + list + "]"})
		var b bytes.Buffer
		for i, m := range rapid.Permutation(members).Draw(t, "order") {
			b.WriteString([]string{"{", ",", ","}[i] + space.Draw(t, "space") + m[0] + space.Draw(t, "space") + ":" + m[1])
		}
		b.WriteString("}" + space.Draw(t, "space"))
		if !sameWaveform(t, b.Bytes()) {
			t.Fatalf("the scanner does not take the usual form %q", b.Bytes())
		}
	})
}

// The decimals of every length and exponent around the limits of the exact path.
func TestDecimalFloatRoundsAsStrconv(t *testing.T) {
	for _, mantissa := range []string{"0", "1", "9", "123456789", "9007199254740991", "9007199254740992", "9007199254740993", "9999999999999999999", "18446744073709551615", "0.1", "0.30000000000000004", "179769313486231570000"} {
		for e := -330; e <= 300; e++ {
			text := fmt.Sprintf("-%se%d", mantissa, e)
			want, err := strconv.ParseFloat(text, 64)
			d, n := scanDecimal([]byte(text), jsonNumber)
			got, ok := d.float()
			if n != len(text) || ok != (err == nil) || ok && math.Float64bits(got) != math.Float64bits(want) {
				t.Fatalf("%s is %g (%t); strconv says %g (%v)", text, got, ok, want, err)
			}
		}
	}
}

func TestScaled(t *testing.T) {
	for _, tt := range []struct {
		text  string
		shift int
		want  int64
		ok    bool
	}{
		{"1772323201.234567891", 9, 1772323201234567891, true},
		{"9223372036854775807", 0, math.MaxInt64, true},
		{"9223372036854775808", 0, 0, false},
		{"1e300", 0, 0, false},
		{"0e300", 0, 0, true},
		{"1e-300", 0, 0, true},
		{"2.5", 0, 3, true},
		{"-2.5", 0, -3, true},
		{"2.4999999999", 0, 2, true},
		{"0.00000000049", 9, 0, true},
		{"12345678901234567890123", -5, 123456789012345679, true},
	} {
		d, _ := scanDecimal([]byte(tt.text), plainText)
		if got, ok := d.scaled(tt.shift); got != tt.want || ok != tt.ok {
			t.Errorf("%s scaled by %d is %d, %t; want %d, %t", tt.text, tt.shift, got, ok, tt.want, tt.ok)
		}
	}
}

// waveformPayload is the first air inlet waveform of testdata/intake/two-bursts.ndjson: one second at 100 Hz.
func waveformPayload(t testing.TB) []byte {
	t.Helper()
	b, err := os.ReadFile("../../../testdata/intake/two-bursts.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	line, _, _ := bytes.Cut(b, []byte("\n"))
	var m struct{ Payload string }
	if err := json.Unmarshal(line, &m); err != nil {
		t.Fatal(err)
	}
	return []byte(m.Payload)
}

func TestDecodeWaveformDoesNotAllocate(t *testing.T) {
	c := codecFor(t, config.Channel{Channel: signal.AirInletPressure, Format: config.FormatWaveform, Factor: 1e5})
	payload := waveformPayload(t)
	chunk, err := decodeOne(c, payload)
	if err != nil {
		t.Fatal(err)
	}
	if len(chunk.Values) != 100 || !scanTakes(payload) {
		t.Fatalf("the payload has %d values", len(chunk.Values))
	}
	var s Samples
	if n := testing.AllocsPerRun(100, func() {
		if _, err := c.Decode(&s, payload, arrival); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("decoding a waveform allocates %g times; want 0", n)
	}
}

func scanTakes(payload []byte) bool {
	s := scanner{b: payload}
	_, _, _, ok := s.waveform(nil)
	return ok
}

func BenchmarkWaveform(b *testing.B) {
	payload := waveformPayload(b)
	c := codecFor(b, config.Channel{Channel: signal.AirInletPressure, Format: config.FormatWaveform, Factor: 1e5})
	b.Run("scanner", func(b *testing.B) {
		b.SetBytes(int64(len(payload)))
		b.ReportAllocs()
		var s Samples
		for b.Loop() {
			if _, err := c.Decode(&s, payload, arrival); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("encoding-json", func(b *testing.B) {
		b.SetBytes(int64(len(payload)))
		b.ReportAllocs()
		for b.Loop() {
			var w struct {
				T  time.Time
				DT float64
				V  []float64
			}
			if err := json.Unmarshal(payload, &w); err != nil {
				b.Fatal(err)
			}
		}
	})
}
