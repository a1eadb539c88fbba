package payload

import (
	"errors"
	"math"
	"slices"
	"testing"

	"diastole/agent/config"
	"diastole/detect/signal"
)

// checkDecode holds whatever bytes come: a chunk fit for a detector, or a known reason.
func checkDecode(t *testing.T, c *Codec, payload []byte) {
	t.Helper()
	chunks, err := c.Decode(new(Samples), payload, arrival)
	if err != nil {
		var e *Error
		if !errors.As(err, &e) || !slices.Contains(Reasons(), e.Reason) || e.Text == "" {
			t.Fatalf("%q: error %#v has no known reason", payload, err)
		}
		return
	}
	if len(chunks) == 0 {
		t.Fatalf("%q gave neither samples nor an error", payload)
	}
	for _, chunk := range chunks {
		checkChunk(t, payload, chunk)
	}
}

func checkChunk(t *testing.T, payload []byte, chunk signal.Chunk) {
	t.Helper()
	if len(chunk.Values) == 0 || chunk.Step < 0 || chunk.Start.Before(earliest) || chunk.End().Sub(arrival) > furthestAhead+longestStep {
		t.Fatalf("%q gave %v", payload, chunk)
	}
	if i := slices.IndexFunc(chunk.Values, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }); i >= 0 {
		t.Fatalf("%q: value %d is %g", payload, i, chunk.Values[i])
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"4.25", " -1e-3\n", "true", "NaN", "0x10", "1_0", "1e400", ".", "+.5e+1", "١"} {
		f.Add([]byte(s))
	}
	c := codecFor(f, config.Channel{Channel: signal.LiquidInAir, Format: config.FormatNumber, Factor: 1e5})
	f.Fuzz(func(t *testing.T, payload []byte) { checkDecode(t, c, payload) })
}

func FuzzJSON(f *testing.F) {
	for _, s := range []string{`{"v":1,"t":[0,1772323201]}`, `{"v":"2","t":[0,"1772323201.5"]}`, `[]`, `{"v":true}`, `{"v":1e400,"t":[]}`, `{"v":{"v":1}}`, "1 2"} {
		f.Add([]byte(s))
	}
	c := codecFor(f, config.Channel{Format: config.FormatJSON, Value: "/v", Time: "/t/1", TimeUnit: "s"})
	f.Fuzz(func(t *testing.T, payload []byte) { checkDecode(t, c, payload) })
}

func FuzzWaveform(f *testing.F) {
	for _, s := range []string{
		`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,-0.5,1e-3]}`,
		`{"v":[1],"t":"2026-03-01T00:00:04.5+01:00","dt":1}`,
		`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[4,null]}`,
		`{"t":"2026-03-01T00:00:04Z","dt":0.01,"v":[1e22,1e23,9007199254740993,0.1]}`,
		`{"t":"2026-03-01T00:00:04Z","dt":0,"v":[]}`, `{"t":"\u0032"}`, `null`, `{}`,
	} {
		f.Add([]byte(s))
	}
	c := codecFor(f, config.Channel{Format: config.FormatWaveform, Factor: 1e5})
	f.Fuzz(func(t *testing.T, payload []byte) {
		checkDecode(t, c, payload)
		if len(payload) <= MaxSize {
			sameWaveform(t, payload)
		}
	})
}
