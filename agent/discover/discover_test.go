package discover

import (
	"bytes"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
	"diastole/agent/intake/sparkplug"
	"diastole/agent/simulate"
	"diastole/detect/signal"
)

var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// proposed is the text of the proposal and the configuration that it is.
func proposed(t interface {
	Fatalf(string, ...any)
	Helper()
}, s *Survey) (string, *config.Config) {
	t.Helper()
	p := s.Propose()
	var b bytes.Buffer
	if err := p.Write(&b, Source{Broker: "mqtt://127.0.0.1:1883", For: time.Minute}); err != nil {
		t.Fatalf("%v", err)
	}
	if len(p.Pumps) == 0 {
		return b.String(), nil
	}
	cfg, err := config.Parse("proposed.yaml", b.Bytes())
	if err != nil {
		t.Fatalf("the proposal is refused: %v\n%s", err, b.String())
	}
	return b.String(), cfg
}

// TestDialects: from each dialect of a simulated plant a configuration comes that reads what the plant's own reads, to the
// same values.
func TestDialects(t *testing.T) {
	for _, dialect := range []string{"topics", "current-loop", "plc", "senml", "senml-cbor", "sparkplug-b"} {
		t.Run(dialect, func(t *testing.T) {
			plan, err := simulate.Parse("plant.yaml", []byte(fmt.Sprintf(`
site: bench
start: 2026-03-01T01:00:00+01:00
length: 8s
seed: 4
dialect: %s
pumps:
  - id: B-1
    instruments: [&a {channel: air_inlet_pressure}, &d {channel: discharge_pressure}, &n {channel: stroke_count}, &v {channel: air_valve_open}]
  - id: B-2
    process: {setting: 4.5 bar}
    instruments: [*a, *d, *n, *v, {channel: air_flow}]
`, dialect)))
			if err != nil {
				t.Fatal(err)
			}
			var own bytes.Buffer
			if err := plan.WriteConfiguration(&own); err != nil {
				t.Fatal(err)
			}
			want, err := config.Parse("own.yaml", own.Bytes())
			if err != nil {
				t.Fatal(err)
			}
			s := New()
			var messages []intake.Message
			if err := plan.Play(t.Context(), func(m intake.Message) error {
				messages = append(messages, m)
				s.Take(m)
				return nil
			}); err != nil {
				t.Fatal(err)
			}
			text, got := proposed(t, s)
			if got == nil || len(got.Pumps) != 2 || got.Site != "bench" {
				t.Fatalf("%s", text)
			}
			a, b := sums(t, want, messages), sums(t, got, messages)
			for k, v := range a {
				if math.Abs(b[k]-v) > 1e-9*math.Abs(v) {
					t.Errorf("%s: the proposal reads a sum of %g, the plant's own configuration %g\n%s", k, b[k], v, text)
				}
			}
			if len(a) != 9 || len(b) != 9 {
				t.Errorf("%d channels, %d proposed", len(a), len(b))
			}
			if strings.Contains(text, "Heard, but not used") {
				t.Errorf("something was left over:\n%s", text)
			}
		})
	}
}

// sums adds up the samples of each channel of each pump.
func sums(t *testing.T, cfg *config.Config, messages []intake.Message) map[string]float64 {
	t.Helper()
	r, err := intake.NewRouter(cfg.Pumps, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]float64{}
	var s payload.Samples
	for _, m := range messages {
		r.Decode(&s, m, func(route *intake.Route, chunks []signal.Chunk) {
			for _, c := range chunks {
				for _, v := range c.Values {
					out[route.PumpID+" "+c.Channel.String()] += v
				}
			}
		})
	}
	return out
}

func take(s *Survey, at time.Duration, topic, text string) {
	s.Take(intake.Message{Arrival: t0.Add(at), Topic: topic, Payload: []byte(text)})
}

// TestPlantOfStrangers: plain topics in other words, a nested JSON with lists and its own clock, words for states, psi, a counter of
// 16 bit, a shared main, on-change reports, and topics that are about something else.
func TestPlantOfStrangers(t *testing.T) {
	s := New()
	for i := range 60 {
		at := time.Duration(i) * time.Second
		ms := t0.Add(at).UnixMilli() - 40
		take(s, at, "works/line2/PU-7/AirPressure", fmt.Sprintf("%.2f", 68+0.1*float64(i%7)))
		take(s, at, "works/line2/PU-7/OutletPressure", fmt.Sprintf("%.2f", 30+0.1*float64(i%5)))
		take(s, at, "works/line2/PU-7/StrokeTotal", fmt.Sprint((65500+3*i)%65536))
		take(s, at, "works/line2/PU-7/Mode", []string{"PRODUCTION", "CIP"}[i/40])
		take(s, at, "works/line2/plc9", fmt.Sprintf(`{"hdr":{"ts":%d,"seq":%d},"pumps":{"PU-8":{"air":[%g],"discharge_kpa":%g,"cycles":%d,"leak":false}}}`,
			ms, i, 470+float64(i%3), 210+float64(i%4), 900+2*i))
		take(s, at, "works/compressor/header", fmt.Sprintf("%.2f", 101.5+0.01*float64(i%9)))
		take(s, at, "works/office/temperature", fmt.Sprintf("%.1f", 21+0.1*float64(i%3)))
		take(s, at, "works/line2/camera", "\x00\x01\x02\xff")
	}
	for i, at := range []float64{0.2, 1.1, 1.2, 30, 31, 55} {
		take(s, time.Duration(at*1e9), "works/line2/PU-7/SuctionPressure", fmt.Sprintf("%.2f", 2.1+0.3*float64(i)))
	}
	text, cfg := proposed(t, s)
	for _, line := range []string{
		`site: "works" # a guess from the topics`,
		`- id: "PU-7"` + "\n", `- id: "PU-8"` + "\n",
		`air_inlet_pressure: {topic: "works/line2/PU-7/AirPressure", format: number, unit: "psi"} #`,
		`unit: a guess from values of 68 to 68.6`,
		`discharge_pressure: {topic: "works/line2/PU-7/OutletPressure", format: number, unit: "psi"}`,
		`stroke_count: {topic: "works/line2/PU-7/StrokeTotal", format: number, wraps_at: 65536}`,
		`suction_pressure: {topic: "works/line2/PU-7/SuctionPressure", format: number, unit: "psi", report: on-change}`,
		`service_state: {topic: "works/line2/PU-7/Mode", format: number, states: {"CIP": clean, "PRODUCTION": run}}`,
		`air_inlet_pressure: {topic: "works/line2/plc9", format: json, value: "/pumps/PU-8/air/0", time: "/hdr/ts", time_unit: ms, unit: "kPa"}`,
		`discharge_pressure: {topic: "works/line2/plc9", format: json, value: "/pumps/PU-8/discharge_kpa", time: "/hdr/ts", time_unit: ms, unit: "kPa"}`,
		`unit: the name ends with "kpa"`,
		`stroke_count: {topic: "works/line2/plc9", format: json, value: "/pumps/PU-8/cycles", time: "/hdr/ts", time_unit: ms, counts: cycle}`,
		`liquid_in_air: {topic: "works/line2/plc9", format: json, value: "/pumps/PU-8/leak"`,
		`air_supply_pressure: {topic: "works/compressor/header", format: number, unit: "psi", shared: true}`,
		`#   works/office/temperature (number): looks like liquid_temperature, but of no pump that was heard; values of 21 to 21.2`,
		`#   works/line2/camera: the payload is in no format that is known here`,
	} {
		if !strings.Contains(text, line) {
			t.Errorf("the proposal lacks\n%s", line)
		}
	}
	if len(cfg.Pumps) != 2 {
		t.Errorf("%d pumps", len(cfg.Pumps))
	}
	if t.Failed() {
		t.Log(text)
	}
}

// Waveforms that are called something else are told by their numbers: the air is the higher one.
func TestUnnamedWaveforms(t *testing.T) {
	s := New()
	for i := range 10 {
		start := t0.Add(time.Duration(i) * time.Second).Format(time.RFC3339)
		take(s, time.Duration(i+1)*time.Second, "daq/7/ch0", fmt.Sprintf(`{"t":%q,"dt":0.01,"v":[2.1,2.2,2.0]}`, start))
		take(s, time.Duration(i+1)*time.Second, "daq/7/ch1", fmt.Sprintf(`{"t":%q,"dt":0.01,"v":[5.1,5.2,5.0]}`, start))
		take(s, time.Duration(i+1)*time.Second, "daq/7/di3", fmt.Sprintf(`{"t":[%q]}`, start))
	}
	text, cfg := proposed(t, s)
	for _, line := range []string{
		`- id: "daq-7" # a guess from the place in the topics`,
		`air_inlet_pressure: {topic: "daq/7/ch1", format: waveform, unit: "bar"} # 100 Hz in blocks of 3; a guess: it is the highest waveform of the pump, as air is`,
		`discharge_pressure: {topic: "daq/7/ch0", format: waveform, unit: "bar"}`,
		`stroke_edge: {topic: "daq/7/di3", format: edges}`,
	} {
		if !strings.Contains(text, line) {
			t.Errorf("the proposal lacks\n%s\n%s", line, text)
		}
	}
	if cfg == nil {
		t.Error("no pump")
	}
}

// A node whose births were missed is asked for them; hosts and other messages are no signals.
func TestAsksNodesForTheirBirths(t *testing.T) {
	s := New()
	p := sparkplug.Payload{Seq: 9, HasSeq: true, Metrics: []sparkplug.Metric{{Alias: 4, HasAlias: true}}}
	s.Take(intake.Message{Arrival: t0, Topic: "spBv1.0/North/DDATA/gw/P-1", Payload: p.Encode()})
	s.Take(intake.Message{Arrival: t0, Topic: "spBv1.0/STATE/scada", Payload: []byte(`{"online":true,"timestamp":1}`)})
	if r := s.Requests(); len(r) != 1 || r[0].Topic != "spBv1.0/North/NCMD/gw" {
		t.Errorf("%v", r)
	}
	if text, cfg := proposed(t, s); cfg != nil {
		t.Errorf("a pump of nothing:\n%s", text)
	}
}

// Whatever is heard, the proposal is a configuration that check accepts, or has no pumps.
func TestProposalIsAlwaysValid(t *testing.T) {
	level := rapid.SampledFrom([]string{"P-1", "pump 2", "Ünit", "air", "inlet", "stroke", "count", "edges", "a\"b", "x:y", "~", "é/", "state", "side", "10", "", "_", "#1"})
	rapid.Check(t, func(t *rapid.T) {
		s := New()
		for i := range rapid.IntRange(1, 40).Draw(t, "messages") {
			levels := rapid.SliceOfN(level, 1, 5).Draw(t, "topic")
			topic := strings.Join(levels, "/")
			name := rapid.SampledFrom([]string{"air", "discharge", "a/b", "~x", "\"q\"", "t", "mode", "über", "stroke count"}).Draw(t, "name")
			v := rapid.SampledFrom([]string{"1", "0", "-3.5", "1e300", "true", "4.8", "\"RUN\"", "[1,2]", "null", "65535", "\"5\""}).Draw(t, "v")
			at := t0.Add(time.Duration(i) * time.Second)
			body := rapid.SampledFrom([]string{
				v, fmt.Sprintf(`{%q:%s,"ts":%d}`, name, v, at.Unix()), fmt.Sprintf(`{"t":%q,"dt":0.1,"v":[%s]}`, at.Format(time.RFC3339), v),
				fmt.Sprintf(`{"t":[%d]}`, at.Unix()), fmt.Sprintf(`[{"n":"P-1:air","v":%s}]`, v), "RUN", "\xff", `{"a":{"b":[{"c":` + v + `}]}}`,
			}).Draw(t, "body")
			s.Take(intake.Message{Arrival: at, Topic: topic, Payload: []byte(body)})
		}
		proposed(t, s)
	})
}

func FuzzTake(f *testing.F) {
	f.Add("a/P-1/air", []byte("5"), []byte("6"))
	f.Add("spBv1.0/G/NBIRTH/E", sparkplug.Payload{HasSeq: true, Metrics: []sparkplug.Metric{sparkplug.NewMetric("air", sparkplug.Float, t0, 1)}}.Encode(), []byte{})
	f.Add("x", []byte(`{"t":"2026-03-01T00:00:00Z","dt":0.1,"v":[1]}`), []byte(`[{"n":"air","v":1}]`))
	f.Fuzz(func(t *testing.T, topic string, first, second []byte) {
		s := New()
		s.Take(intake.Message{Arrival: t0, Topic: topic, Payload: first})
		s.Take(intake.Message{Arrival: t0.Add(time.Second), Topic: topic, Payload: second})
		proposed(t, s)
	})
}
