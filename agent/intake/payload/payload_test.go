package payload

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/config"
	"diastole/detect/signal"
)

var arrival = time.Date(2026, 3, 1, 0, 0, 5, 0, time.UTC)

// codecFor makes the codec of a channel that stores raw numbers as they are, unless ch says more.
func codecFor(t testing.TB, ch config.Channel) *Codec {
	t.Helper()
	if ch.Factor == 0 {
		ch.Factor = 1
	}
	c, err := New(ch)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// decodeOne decodes a payload that gives one chunk.
func decodeOne(c *Codec, payload []byte) (signal.Chunk, error) {
	chunks, err := c.Decode(new(Samples), payload, arrival)
	if err != nil {
		return signal.Chunk{}, err
	}
	if len(chunks) != 1 {
		return signal.Chunk{}, fmt.Errorf("%d chunks", len(chunks))
	}
	return chunks[0], nil
}

func TestDecodeNumber(t *testing.T) {
	pressure := codecFor(t, config.Channel{Channel: signal.DischargePressure, Format: config.FormatNumber})
	bit := codecFor(t, config.Channel{Channel: signal.AirValveOpen, Format: config.FormatNumber})
	good := func(c *Codec, payload string, want float64) {
		t.Helper()
		got, err := decodeOne(c, []byte(payload))
		if err != nil {
			t.Errorf("%q: %v", payload, err)
			return
		}
		chunk := signal.Chunk{Channel: c.channel, Start: arrival, Values: []float64{want}}
		if diff := cmp.Diff(chunk, got); diff != "" {
			t.Errorf("%q (-want +got):\n%s", payload, diff)
		}
	}
	good(pressure, "4.25", 4.25)
	good(pressure, " \t-0.5\r\n", -0.5)
	good(pressure, "+12e-1", 1.2)
	good(pressure, "1E+3", 1000)
	good(pressure, ".5", 0.5)
	good(pressure, "5.", 5)
	good(pressure, "0042", 42)
	good(pressure, "123456789012345678901234567890", 123456789012345678901234567890)
	good(pressure, "0.1000000000000000055511151231257827", 0.1)
	good(pressure, "1e-400", 0)
	good(bit, "true", 1)
	good(bit, " false ", 0)
	good(bit, "1", 1)

	bad := func(c *Codec, payload string, want Reason, text string) {
		t.Helper()
		checkRefused(t, c, payload, want, text)
	}
	bad(pressure, "", Empty, "empty")
	bad(pressure, " \n ", Empty, "blank")
	bad(pressure, "NaN", NotANumber, `"NaN" is not a number`)
	bad(pressure, "nan", NotANumber, "allowed is one decimal number")
	bad(pressure, "Inf", NotANumber, "Inf")
	bad(pressure, "-infinity", NotANumber, "infinity")
	bad(pressure, "0x1p-2", NotANumber, "0x1p-2")
	bad(pressure, "1_000", NotANumber, "1_000")
	bad(pressure, "1,5", NotANumber, "1,5")
	bad(pressure, "4.2 bar", NotANumber, "4.2 bar")
	bad(pressure, "1 2", NotANumber, "1 2")
	bad(pressure, "--1", NotANumber, "--1")
	bad(pressure, ".", NotANumber, ".")
	bad(pressure, "1e", NotANumber, "1e")
	bad(pressure, "true", NotANumber, "true")
	bad(pressure, "1e999", NotANumber, "too large")
	bad(bit, "TRUE", NotANumber, "true or false")
	bad(bit, "on", NotANumber, "true or false")
	bad(pressure, strings.Repeat("1", MaxSize+1), TooLarge, "1048577 bytes; allowed are 1048576")
	bad(pressure, "\xff\xfe", NotANumber, `"\xff\xfe"`)
}

func checkRefused(t *testing.T, c *Codec, payload string, want Reason, text string) {
	t.Helper()
	chunk, err := decodeOne(c, []byte(payload))
	var e *Error
	if !errors.As(err, &e) {
		t.Errorf("%.60q gave %v and error %v; want a refusal", payload, chunk, err)
		return
	}
	if e.Reason != want || !strings.Contains(e.Text, text) {
		t.Errorf("%.60q: %s: %q; want %s with %q", payload, e.Reason, e.Text, want, text)
	}
	if len(e.Text) > 400 {
		t.Errorf("%.60q: the error has %d characters", payload, len(e.Text))
	}
}

func TestDecodeJSON(t *testing.T) {
	good := func(ch config.Channel, payload string, want float64, at time.Time) {
		t.Helper()
		ch.Format = config.FormatJSON
		got, err := decodeOne(codecFor(t, ch), []byte(payload))
		if err != nil {
			t.Errorf("%s: %v", payload, err)
			return
		}
		if diff := cmp.Diff(signal.Chunk{Channel: ch.Channel, Start: at, Values: []float64{want}}, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", payload, diff)
		}
	}
	at := time.Date(2026, 3, 1, 0, 0, 1, 234567890, time.UTC) // 1772323201.23456789 s since 1970
	good(config.Channel{Value: ""}, ` 7.5 `, 7.5, arrival)
	good(config.Channel{Value: "/v"}, `{"v":"7.5"}`, 7.5, arrival)
	good(config.Channel{Value: "/v", Channel: signal.LiquidInAir}, `{"v":true}`, 1, arrival)
	good(config.Channel{Value: "/v", Channel: signal.LiquidInAir}, `{"v":"false"}`, 0, arrival)
	good(config.Channel{Value: "/a~1b/1/m~0n", Time: "/ts"},
		`{"a/b":[0,{"m~n":-3}],"ts":"2026-03-01T01:00:01.23456789+01:00"}`, -3, at)
	good(config.Channel{Value: "/v", Time: "/t", TimeUnit: "s"}, `{"v":1,"t":1772323201.23456789}`, 1, at)
	good(config.Channel{Value: "/v", Time: "/t", TimeUnit: "s"}, `{"v":1,"t":"1772323201.23456789"}`, 1, at)
	good(config.Channel{Value: "/v", Time: "/t", TimeUnit: "ms"}, `{"v":1,"t":1772323201234.56789}`, 1, at)
	good(config.Channel{Value: "/v", Time: "/t", TimeUnit: "us"}, `{"v":1,"t":1772323201234567.89}`, 1, at)
	good(config.Channel{Value: "/v", Time: "/t", TimeUnit: "ns"}, `{"v":1,"t":1772323201234567890}`, 1, at)
	good(config.Channel{Value: "/v", Time: "/t", TimeUnit: "ns"}, `{"v":1,"t":1.77232320123456789e18}`, 1, at)

	bad := func(ch config.Channel, payload string, want Reason, text string) {
		t.Helper()
		ch.Format = config.FormatJSON
		checkRefused(t, codecFor(t, ch), payload, want, text)
	}
	bad(config.Channel{Value: "/v"}, ``, Empty, "empty")
	bad(config.Channel{Value: "/v"}, `{"v":`, Syntax, "not JSON")
	bad(config.Channel{Value: "/v"}, `{"v":1} x`, Syntax, "follows the JSON document")
	bad(config.Channel{Value: "/v"}, `{"v":1}{"v":2}`, Syntax, "follows the JSON document")
	bad(config.Channel{Value: "/v"}, `{"V":1}`, Missing, `the payload: the object has no "v"`)
	bad(config.Channel{Value: "/a/b"}, `{"a":[1]}`, Missing, `/a: the list of 1 has no element "b"`)
	bad(config.Channel{Value: "/a/b"}, `{"a":5}`, Missing, `/a is a number, which has nothing named "b" inside`)
	bad(config.Channel{Value: "/v"}, `{"v":null}`, NotANumber, "/v is null; allowed is a number")
	bad(config.Channel{Value: "/v"}, `{"v":[1]}`, NotANumber, "/v is a list")
	bad(config.Channel{Value: "/v"}, `{"v":"NaN"}`, NotANumber, `/v: "NaN" is not a number`)
	bad(config.Channel{Value: "/v"}, `{"v":true}`, NotANumber, "/v")
	bad(config.Channel{Value: "/v"}, `{"v":1e400}`, NotANumber, "too large")
	bad(config.Channel{Value: "/v", Time: "/t"}, `{"v":1}`, Missing, `no "t"`)
	bad(config.Channel{Value: "/v", Time: "/t"}, `{"v":1,"t":1772323201}`, Syntax, "set time_unit")
	bad(config.Channel{Value: "/v", Time: "/t"}, `{"v":1,"t":null}`, Syntax, "/t is null; allowed is a time")
	bad(config.Channel{Value: "/v", Time: "/t", TimeUnit: "s"}, `{"v":1,"t":"2026-03-01T00:00:00Z"}`, Syntax, "number of s since 1970")
	bad(config.Channel{Value: "/v", Time: "/t", TimeUnit: "s"}, `{"v":1,"t":0}`, Clock, "1970-01-01T00:00:00Z lies before 2000")
	bad(config.Channel{Value: "/v", Time: "/t", TimeUnit: "s"}, `{"v":1,"t":1772323201000}`, Clock, "further than a time can reach")
	bad(config.Channel{Value: "/v", Time: "/t", TimeUnit: "ms"}, `{"v":1,"t":1772323201}`, Clock, "1970")
}

func TestDecodeWaveform(t *testing.T) {
	c := codecFor(t, config.Channel{Channel: signal.AirInletPressure, Format: config.FormatWaveform, Factor: 1e5, Offset: 50})
	start := time.Date(2026, 3, 1, 0, 0, 4, 0, time.UTC)
	want := signal.Chunk{
		Channel: signal.AirInletPressure, Start: start, Step: 10 * time.Millisecond,
		Values: []float64{400050, -49950, 150},
	}
	for _, payload := range []string{
		`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,-0.5,1e-3]}`,
		`{"v":[4,-0.5,1e-3],"dt":1e-2,"t":"2026-03-01T00:00:04Z"}`,
		" {\n\"dt\" : 0.010 ,\t\"t\": \"2026-03-01T01:00:04.000+01:00\", \"v\": [ 4 , -0.5 ,0.001 ] } \r\n",
		`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,-0.5,1e-3],"quality":{"ok":true}}`,
		`{"\u0074":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,-0.5,1e-3]}`,
		`{"t":"2026-03-01T00:00:0\u0034Z","dt":0.01,"v":[4,-0.5,1e-3]}`,
		`{"dt":99,"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,-0.5,1e-3]}`,
	} {
		got, err := decodeOne(c, []byte(payload))
		if err != nil {
			t.Errorf("%s: %v", payload, err)
			continue
		}
		want.Values[1], want.Values[2] = float64(-0.5*1e5)+50, float64(1e-3*1e5)+50
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", payload, diff)
		}
	}

	bad := func(payload string, want Reason, text string) {
		t.Helper()
		checkRefused(t, c, payload, want, text)
	}
	bad(``, Empty, "empty")
	bad(`nonsense`, Syntax, "not JSON at byte")
	bad(`[1,2]`, Syntax, "a JSON array")
	bad(`null`, Missing, `no "t"`)
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,]}`, Syntax, "not JSON")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[01]}`, Syntax, "not JSON")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4]}{}`, Syntax, "not JSON")
	bad(`{"T":"2026-03-01T00:00:04Z","dt":0.01,"v":[4]}`, Missing, `no "t"`)
	bad(`{"t":"2026-03-01T00:00:04Z","v":[4]}`, Missing, `no "dt"`)
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01}`, Missing, `no "v"`)
	bad(`{"t":"2026-03-01 00:00:04","dt":0.01,"v":[4]}`, Syntax, "t: ")
	bad(`{"t":1772323201,"dt":0.01,"v":[4]}`, Syntax, "t: ")
	bad(`{"t":null,"dt":0.01,"v":[4]}`, Syntax, "t: ")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":"0.01","v":[4]}`, NotANumber, "dt: ")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":null,"v":[4]}`, NotANumber, "dt: null")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0,"v":[4]}`, Spacing, "dt is 0 s; allowed are 1e-06 to 3600 s")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":-0.01,"v":[4]}`, Spacing, "dt is -0.01 s")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":1e9,"v":[4]}`, Spacing, "dt is 1e+09 s")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[]}`, Empty, "v has no values")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":null}`, Syntax, "v: null")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":5}`, Syntax, "v: 5 is not a list")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,null]}`, NotANumber, `v[1]: null is not a number`)
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":["4"]}`, NotANumber, "without quotes")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[NaN]}`, Syntax, "not JSON")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[1e999]}`, NotANumber, "too large")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[1e305]}`, NotANumber, "not finite in Pa")
	bad(`{"t":"1970-01-01T00:07:12Z","dt":0.01,"v":[4]}`, Clock, "never set")
	bad(`{"t":"2026-03-02T00:00:06Z","dt":0.01,"v":[4]}`, Clock, "24h0m1s ahead of its arrival")
	bad(`{"t":"2026-03-01T23:00:00Z","dt":3600,"v":[4,4,4]}`, Clock, "ahead of its arrival")
	bad(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[`+strings.Repeat("1,", MaxSize/2)+`1]}`, TooLarge, "allowed are 1048576")
}

// A current loop gives 4 to 20 mA; below 3.6 and above 21 mA it signals its own failure (NAMUR NE 43, from
// memory; the limits are those of our configuration).
func TestOutOfRangeIsASensorFault(t *testing.T) {
	ch := config.Channel{
		Channel: signal.DischargePressure, Format: config.FormatWaveform,
		Factor: 1e6 / 16, Offset: -4 * 1e6 / 16, RawMin: 3.6, RawMax: 21,
	}
	c := codecFor(t, ch)
	got, err := decodeOne(c, []byte(`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[3.6,12,21]}`))
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(got.Values[1]-5e5) > 1e-6 {
		t.Errorf("12 mA of a 0 to 10 bar loop is %g Pa; want 5e5", got.Values[1])
	}
	checkRefused(t, c, `{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,3.5]}`, OutOfRange, "v[1] = 3.5 lies outside 3.6 to 21")
	ch.Format = config.FormatNumber
	checkRefused(t, codecFor(t, ch), `21.5`, OutOfRange, "the raw value 21.5 lies outside")
}

func TestArrivalBefore2000IsAClockFault(t *testing.T) {
	c := codecFor(t, config.Channel{Format: config.FormatNumber})
	_, err := c.Decode(new(Samples), []byte("1"), time.Unix(60, 0))
	var e *Error
	if !errors.As(err, &e) || e.Reason != Clock {
		t.Errorf("a number that arrived in 1970 gave %v", err)
	}
}

func TestNewRefusesWhatItCannotDo(t *testing.T) {
	for _, tt := range []struct {
		ch   config.Channel
		want string
	}{
		{config.Channel{Format: "xml"}, `format "xml" is not known; allowed are ["number" "json" "waveform"`},
		{config.Channel{Format: config.FormatJSON, Value: "v"}, `value: pointer "v" must be empty or begin with /`},
		{config.Channel{Format: config.FormatJSON, Value: "/v", Time: "/a~2"}, "time: pointer"},
		{config.Channel{Format: config.FormatJSON, Value: "/v", Time: "/t", TimeUnit: "min"}, `time_unit "min" is not known`},
	} {
		if _, err := New(tt.ch); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: %v; want %q", tt.ch, err, tt.want)
		}
	}
}

func TestReasonsAreClosed(t *testing.T) {
	seen := map[Reason]bool{}
	for _, r := range Reasons() {
		if seen[r] || r == "" {
			t.Errorf("reason %q stands twice or is empty", r)
		}
		seen[r] = true
	}
}
