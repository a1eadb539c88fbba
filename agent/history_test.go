package agent_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"diastole/agent"
	"diastole/agent/intake"
	"diastole/agent/intake/recording"
	"diastole/detect/signal"
)

// writeHistory writes an hour of telemetry, one reading a second: a steady pump of three strokes a second.
func writeHistory(t *testing.T, state string) {
	t.Helper()
	dir := filepath.Join(state, agent.HistoryDir)
	if err := os.MkdirAll(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	for _, x := range []struct {
		channel signal.Channel
		value   func(second int) float64
	}{
		{signal.AirInletPressure, func(int) float64 { return 5 + 0.01*rng.NormFloat64() }},
		{signal.DischargePressure, func(int) float64 { return 2 + 0.02*rng.NormFloat64() }},
		{signal.StrokeCount, func(s int) float64 { return float64(3 * s) }},
	} {
		out := must(recording.Create(filepath.Join(dir, "P-101."+x.channel.String()+".ndjson.zst")))(t)
		for s := range 3600 {
			at := begin.Add(time.Duration(s) * time.Second)
			m := intake.Message{
				Arrival: at, Topic: intake.ImportTopic("P-101", x.channel),
				Payload: fmt.Appendf(nil, `{"t":%q,"v":%.4f}`, at.Format(time.RFC3339), x.value(s)),
			}
			if err := out.Write(m); err != nil {
				t.Fatal(err)
			}
		}
		if err := out.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestLearningStartsWithHistory: a pump of which nothing is known learns from what was imported, which is kept over a restart and not
// seen twice.
func TestLearningStartsWithHistory(t *testing.T) {
	t.Parallel()
	state := t.TempDir()
	writeHistory(t, state)
	learned := func(r *running) float64 {
		v, err := strconv.ParseFloat(r.metric(t, `diastole_pump_learned_ratio{pump="P-101",site="works"}`), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	r := start(t, setup{state: state})
	eventually(t, "the pumps are shown", func() bool { return learned(r) > 0 })
	first := learned(r)
	if first < 0.025 || first > 0.04 { // an hour of thirty
		t.Errorf("an hour of history is %g of thirty hours", first)
	}
	strokes := r.metric(t, `diastole_pump_strokes{pump="P-101",site="works"}`)
	if n, err := strconv.ParseFloat(strokes, 64); err != nil || n < 10000 || n > 11000 {
		t.Errorf("%s strokes, want nearly 10800", strokes)
	}
	r.stop()
	again := start(t, setup{state: state})
	if got := learned(again); got != first {
		t.Errorf("after a restart %g is learned, before it %g", got, first)
	}
	if got := again.metric(t, `diastole_pump_strokes{pump="P-101",site="works"}`); got != strokes {
		t.Errorf("after a restart %s strokes, before it %s", got, strokes)
	}
	again.stop()
}
