package simulate

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"hash/fnv"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
	"diastole/detect/signal"
	"diastole/model/plant"
)

var update = flag.Bool("update", false, "write the golden files anew")

func parse(t testing.TB, text string) *Plan {
	t.Helper()
	p, err := Parse("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func play(t testing.TB, p *Plan) (out []intake.Message) {
	t.Helper()
	err := p.Play(t.Context(), func(m intake.Message) error {
		out = append(out, m)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

const bench = `
site: bench
start: 2026-03-01T01:00:00+01:00
length: 10s
seed: 4
pumps:
  - id: B-1
    link: {delay: 20ms, spread: 30ms}
`

// TestInvalid holds the messages of a file in which much is wrong, as a person reads them.
func TestInvalid(t *testing.T) {
	_, err := Load(filepath.Join("testdata", "invalid.yaml"))
	if _, ok := errors.AsType[*config.InvalidError](err); !ok {
		t.Fatalf("got %v", err)
	}
	golden(t, "invalid.txt", err.Error()+"\n")
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", path, diff)
	}
}

// TestSameSeed: the same file gives the same messages byte for byte, another seed gives others.
func TestSameSeed(t *testing.T) {
	digest := func(text string) uint64 {
		h := fnv.New64a()
		for _, m := range play(t, parse(t, text)) {
			h.Write([]byte(m.Arrival.String() + m.Topic))
			h.Write(m.Payload)
		}
		return h.Sum64()
	}
	if first, again := digest(bench), digest(bench); first != again {
		t.Error("the same file gives other messages")
	}
	if digest(bench) == digest(strings.Replace(bench, "seed: 4", "seed: 5", 1)) {
		t.Error("another seed gives the same messages")
	}
}

// TestFirstMessages holds the first second as it stands in a recording. Pressures may differ by 0.01 bar: processors
// round differently.
func TestFirstMessages(t *testing.T) {
	var got strings.Builder
	for _, m := range play(t, parse(t, bench))[:3] {
		got.WriteString(m.Arrival.Format("2006-01-02T15:04:05.000Z07:00 ") + m.Topic + " " + string(m.Payload) + "\n")
	}
	path := filepath.Join("testdata", "first.txt")
	if *update {
		if err := os.WriteFile(path, []byte(got.String()), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	fields := func(text string) []string {
		return strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(",[]", r) })
	}
	a, b := fields(got.String()), fields(string(want))
	if len(a) != len(b) {
		t.Fatalf("%d fields, want %d:\n%s", len(a), len(b), got.String())
	}
	for i := range a {
		if a[i] != b[i] && !(math.Abs(number(a[i])-number(b[i])) <= 0.01) {
			t.Errorf("field %d is %q, want %q", i, a[i], b[i])
		}
	}
}

// TestProcessKeys: a file can set each quantity that a process has, under its own name.
func TestProcessKeys(t *testing.T) {
	var keys []string
	for f := range reflect.TypeFor[fileProcess]().Fields() {
		keys = append(keys, f.Tag.Get("yaml"))
	}
	slices.Sort(keys)
	if diff := cmp.Diff(plant.Quantities(), keys); diff != "" {
		t.Error(diff)
	}
}

// TestConfigurationReadsEveryInstrument: the configuration beside a recording loads, and takes every message.
func TestConfigurationReadsEveryInstrument(t *testing.T) {
	text := bench + `    instruments:
      - {channel: air_inlet_pressure, rate: 50, noise: 0.01 bar}
      - {channel: discharge_pressure, rate: 1}
      - {channel: suction_pressure}
      - {channel: exhaust_pressure}
      - {channel: air_supply_pressure, rate: 1}
      - {channel: air_flow}
      - {channel: liquid_flow, rate: 10, block: 5}
      - {channel: ambient_temperature, offset: 1 K}
      - {channel: stroke_count, per_cycle: true, wraps_at: 4096}
      - {channel: stroke_edge}
      - {channel: side_signal}
      - {channel: liquid_in_air}
      - {channel: air_valve_open}
`
	p := parse(t, text)
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
	edges := 0
	for _, m := range play(t, p) {
		taken := false
		router.Decode(new(payload.Samples), m, func(r *intake.Route, chunks []signal.Chunk) {
			taken = true
			if r.Channel == signal.StrokeEdge {
				edges += len(chunks)
			}
			if v := chunks[0].Values[0]; v < -1.01e5 || v > 10e5 {
				t.Errorf("%s decodes to %g", m.Topic, v)
			}
		})
		if !taken {
			t.Fatalf("%s %s is not read", m.Topic, m.Payload)
		}
	}
	if edges < 20 {
		t.Errorf("%d edges in ten seconds", edges)
	}
}

// TestTroublesAndLinks: what a plan does to instruments and messages is seen in them.
func TestTroublesAndLinks(t *testing.T) {
	p := parse(t, strings.Replace(bench, "length: 10s", "length: 60s", 1)+`    plan:
      - {at: 30s, channel: discharge_pressure, trouble: {stuck: true}}
      - {at: 30s, set: {setting: 3 bar, static_head: 0.2 bar}, over: 5s}
`)
	pressures := map[string][]string{}
	for _, m := range play(t, p) {
		pressures[m.Topic] = append(pressures[m.Topic], string(m.Payload))
		_, at, _ := strings.Cut(string(m.Payload), `":"`)
		at, _, _ = strings.Cut(at, `"`)
		if d := m.Arrival.Sub(moment(t, at)); d < 0 || d > 1050e6 {
			t.Errorf("%s of %s arrives at %v", m.Topic, at, m.Arrival)
		}
	}
	last := pressures["bench/B-1/discharge-pressure"][59]
	v := strings.Split(strings.Trim(last[strings.Index(last, "["):], "[]}"), ",")
	if len(slices.Compact(v)) != 1 {
		t.Errorf("a stuck transmitter sends %s", last)
	}
	inlet := pressures["bench/B-1/air-inlet-pressure"]
	before, after := wave(inlet[20]), wave(inlet[59])
	if !(before > 4 && after < 3.2) {
		t.Errorf("inlet %.2f bar before and %.2f after the regulator went to 3 bar", before, after)
	}
}

// TestInterrupted: a cancelled play says how far it came, and a sink's error ends it.
func TestInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	err := parse(t, bench).Play(ctx, func(intake.Message) error {
		if n++; n == 4 {
			cancel()
		}
		return nil
	})
	if err == nil || !strings.Contains(err.Error(), "ends at 2026-03-01T00:00:0") {
		t.Errorf("got %v", err)
	}
	full := errors.New("no space")
	if err := parse(t, bench).Play(t.Context(), func(intake.Message) error { return full }); !errors.Is(err, full) {
		t.Errorf("got %v", err)
	}
}

// TestExamples: the scenarios that users start from load, and say what they promise.
func TestExamples(t *testing.T) {
	paths, err := filepath.Glob(filepath.Join("..", "..", "deploy", "scenarios", "*.yaml"))
	if err != nil || len(paths) < 3 {
		t.Fatalf("%d examples, %v", len(paths), err)
	}
	for _, path := range paths {
		p, err := Load(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, truth := range p.Truth("x") {
			if (truth.Fault == "") != (truth.Kit == "") || (truth.Fault == "") != (len(truth.Crosses) == 0) {
				t.Errorf("%s: %+v", path, truth)
			}
		}
	}
}

// FuzzParse: any file is refused with a place or gives a configuration that loads.
func FuzzParse(f *testing.F) {
	f.Add([]byte(bench))
	for _, path := range []string{"testdata/invalid.yaml", "../../deploy/scenarios/check-valve.yaml", "../../deploy/scenarios/troubles.yaml", "../../deploy/scenarios/continuous.yaml"} {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Parse("fuzz.yaml", data)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "fuzz.yaml") {
				t.Fatalf("an error without a place: %v", err)
			}
			if _, ok := errors.AsType[*config.InvalidError](err); !ok {
				t.Fatalf("the builder let through what the scenario refuses: %v", err)
			}
			return
		}
		var b bytes.Buffer
		if err := p.WriteConfiguration(&b); err != nil {
			t.Fatal(err)
		}
		if _, err := config.Parse("made.yaml", b.Bytes()); err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
	})
}
