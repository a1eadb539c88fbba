package simulate

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
	"diastole/agent/intake/settle"
	"diastole/detect/signal"
)

// settled is what the agent makes of a dialect of a plant: the samples of each channel by their times.
func settled(t *testing.T, dialect string) map[signal.Channel]map[int64]float64 {
	t.Helper()
	p := parse(t, strings.Replace(bench, "seed: 4", "seed: 4\ndialect: "+dialect, 1)+`    instruments:
      - {channel: air_inlet_pressure}
      - {channel: discharge_pressure}
      - {channel: air_supply_pressure, rate: 1, block: 1}
      - {channel: ambient_temperature}
      - {channel: stroke_count}
      - {channel: stroke_edge}
      - {channel: air_valve_open}
`)
	var b bytes.Buffer
	if err := p.WriteConfiguration(&b); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("made.yaml", b.Bytes())
	if err != nil {
		t.Fatalf("%v\n%s", err, b.String())
	}
	router, err := intake.NewRouter(cfg.Pumps, discard)
	if err != nil {
		t.Fatal(err)
	}
	s := settle.New()
	got := map[signal.Channel]map[int64]float64{}
	keep := func(at time.Time) {
		for _, c := range s.Advance(at) {
			if got[c.Channel] == nil {
				got[c.Channel] = map[int64]float64{}
			}
			for i, v := range c.Values {
				got[c.Channel][c.Start.Add(time.Duration(i)*c.Step).Round(time.Millisecond).UnixMilli()] = v
			}
		}
	}
	messages := play(t, p)
	var samples payload.Samples
	for _, m := range messages {
		router.Decode(&samples, m, func(_ *intake.Route, chunks []signal.Chunk) {
			for _, c := range chunks {
				s.Offer(m.Arrival, c)
			}
		})
		keep(m.Arrival)
	}
	keep(messages[len(messages)-1].Arrival.Add(time.Minute))
	for _, r := range router.Routes() {
		st := r.Stats()
		delete(st.Malformed, payload.Missing) // a controller's JSON has what it has read so far
		delete(st.Malformed, payload.Quality) // and a birth comes before the first reading
		if len(st.Malformed) > 0 {
			t.Errorf("%s: %s: %+v", dialect, r.Channel, st.LastBad)
		}
	}
	return got
}

// TestDialects: the same pump, published in every dialect, gives the same samples within the dialect's resolution.
func TestDialects(t *testing.T) {
	want := settled(t, dialectTopics)
	if n := len(want[signal.AirInletPressure]); n != 1000 || len(want[signal.StrokeEdge]) < 20 || len(want[signal.StrokeCount]) != 10 {
		t.Fatalf("%d samples of pressure, %d edges", n, len(want[signal.StrokeEdge]))
	}
	// Half of a step of 0.0001 mA over 16 mA for 10 bar is 3 Pa, of 0.0001 bar 5 Pa; a float32 of some bar is good to 0.06 Pa.
	for _, dialect := range dialects[1:] {
		got := settled(t, dialect)
		for c := range signal.NumChannels {
			if err := near(want[c], got[c], 10); err != nil {
				t.Errorf("%s: %s: %v", dialect, c, err)
			}
		}
	}
}

// near compares samples by their times, whole milliseconds.
func near(want, got map[int64]float64, within float64) error {
	if len(want) != len(got) {
		return fmt.Errorf("%d samples, want %d", len(got), len(want))
	}
	times := make([]int64, 0, len(want))
	for at := range want {
		times = append(times, at)
	}
	slices.Sort(times)
	for _, at := range times {
		v, ok := got[at]
		if !ok || math.Abs(v-want[at]) > within {
			return fmt.Errorf("at %d ms: %g (%t), want %g", at, v, ok, want[at])
		}
	}
	return nil
}

// TestOnChange: an instrument that sends on change sends less, and the configuration says so.
func TestOnChange(t *testing.T) {
	p := parse(t, bench+`    instruments:
      - {channel: air_inlet_pressure, rate: 10, deadband: 0.02 bar}
      - {channel: discharge_pressure, rate: 10, block: 1}
`)
	var b bytes.Buffer
	if err := p.WriteConfiguration(&b); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("made.yaml", b.Bytes())
	if err != nil {
		t.Fatalf("%v\n%s", err, b.String())
	}
	if c := cfg.Pumps[0].Channels[0]; !c.OnChange || math.Abs(c.Deadband-0.02e5) > 1e-6 {
		t.Errorf("%+v", c)
	}
	n := map[string]int{}
	for _, m := range play(t, p) {
		n[m.Topic]++
	}
	if air, all := n["bench/B-1/air-inlet-pressure"], n["bench/B-1/discharge-pressure"]; all != 100 || air < 5 || air > 80 {
		t.Errorf("%d readings on change, %d of all", air, all)
	}
}
