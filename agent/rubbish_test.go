package agent_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/agent/intake"
)

const airTopic, countTopic = "works/p101/air_inlet_pressure", "works/p101/stroke_count"

// TestRubbishIsCountedAndSurvived: between good messages comes everything that a plant network can bring; each piece is counted by its
// reason, and the pump is judged as if none had come.
func TestRubbishIsCountedAndSurvived(t *testing.T) {
	t.Parallel()
	messages := must(wear())(t)
	noise := make([]byte, 1<<20+1)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range noise {
		noise[i] = byte(rng.Uint32())
	}
	waveform := func(at, v string) string { return fmt.Sprintf(`{"t":%q,"dt":0.01,"v":[%s]}`, at, v) }
	rubbish := []struct {
		name, topic, channel, reason string
		payload                      []byte
	}{
		{"a megabyte", airTopic, "air_inlet_pressure", "too-large", noise},
		{"just what is looked at", airTopic, "air_inlet_pressure", "syntax", noise[:1<<20]},
		{"nothing", airTopic, "air_inlet_pressure", "empty", nil},
		{"half a message", airTopic, "air_inlet_pressure", "syntax", []byte(`{"t":"2026-03-02T00:00:00Z","dt":0.01,"v":[5.1,5.`)},
		{"NaN among values", airTopic, "air_inlet_pressure", "syntax", []byte(waveform("2026-03-02T00:00:00Z", "5.1,NaN,5.2"))},
		{"null among values", airTopic, "air_inlet_pressure", "not-a-number", []byte(waveform("2026-03-02T00:00:00Z", "5.1,null,5.2"))},
		{"a clock that was never set", airTopic, "air_inlet_pressure", "clock", []byte(waveform("1970-01-01T00:00:12Z", "5.1,5.2"))},
		{"a clock years ahead", countTopic, "stroke_count", "clock", []byte(`{"at":"2099-01-01T00:00:00Z","total":5}`)},
		{"no number", countTopic, "stroke_count", "missing", []byte(`{"at":"2026-03-02T00:00:00Z"}`)},
		{"NaN as text", countTopic, "stroke_count", "not-a-number", []byte(`{"at":"2026-03-02T00:00:00Z","total":"NaN"}`)},
	}
	r := start(t, setup{log: new(bytes.Buffer)})
	p := connect(t, r.brokerURL(), "plant")
	every := len(messages)/len(rubbish) - 1
	want := map[string]int{}
	for i, x := range rubbish {
		want[fmt.Sprintf(`diastole_channel_malformed_total{channel=%q,pump="P-101",reason=%q,site="works"}`, x.channel, x.reason)]++
		before := r.Judged()
		p.publish(t, intake.Message{Topic: x.topic, Payload: x.payload})
		eventually(t, x.name+" has been taken", func() bool { return r.Judged() > before })
		p.feed(t, r, messages[i*every:(i+1)*every])
	}
	p.feed(t, r, messages[len(rubbish)*every:])
	for series, n := range want {
		if got := r.metric(t, series); got != fmt.Sprint(n) {
			t.Errorf("%s is %q, want %d", series, got, n)
		}
	}
	eventually(t, "all is told", func() bool { return len(r.events()) >= len(wearEvents(t)) })
	if d := cmp.Diff(wearEvents(t), r.events()); d != "" {
		t.Errorf("(-without +with rubbish):\n%s", d)
	}
	r.stop()
}

// TestCounterThatResets: a controller that is restarted begins at zero. That is told, and is no fault of the pump; the fault that comes
// later is still found, whether the odd totals are those of the same stroke as before or not.
func TestCounterThatResets(t *testing.T) {
	t.Parallel()
	for _, first := range []int{3, 4} {
		r := start(t, setup{})
		offset := 0
		var changed []intake.Message
		for i, m := range must(wear())(t) {
			if m.Topic == countTopic {
				var c struct {
					At    time.Time `json:"at"`
					Total int       `json:"total"`
				}
				if err := json.Unmarshal(m.Payload, &c); err != nil {
					t.Fatal(err)
				}
				if i > 600 && offset == 0 {
					offset = c.Total - first
				}
				c.Total -= offset
				m.Payload = must(json.Marshal(c))(t)
			}
			changed = append(changed, m)
		}
		connect(t, r.brokerURL(), "plant").feed(t, r, changed)
		wetEnd := func(e event.Event) bool { return strings.Contains(string(e.Data), `"kit":"wet-end"`) }
		eventually(t, "the ticket is open", func() bool { return slices.ContainsFunc(r.events(), wetEnd) })
		r.stop()
		leaks := time.Date(2026, 3, 2, 8, 30, 0, 0, time.UTC) // testdata/e2e/README.md
		learned := false
		for i, e := range r.events() {
			switch {
			case strings.Contains(string(e.Data), `"cause":"sensor-fault","channel":"stroke_count"`):
			case e.Type == event.BaselineLearned && !learned:
				learned = true
			case wetEnd(e) && learned && e.Time.After(leaks):
			default:
				t.Errorf("first total %d: event %d is %s at %v: %s", first, i, e.Type, e.Time, e.Data)
			}
		}
		if offset == 0 {
			t.Fatal("the counter was not reset")
		}
	}
}

// TestRetainedNumberIsOld: nobody knows when it was true, so it waits for a live one.
func TestRetainedNumberIsOld(t *testing.T) {
	t.Parallel()
	address := freeAddress(t)
	mosquitto(t, address)
	p := connect(t, "mqtt://"+address, "plant")
	p.publish(t, intake.Message{Topic: countTopic, Payload: []byte("4711"), Retained: true})
	r := start(t, setup{broker: "mqtt://" + address, channel: "{topic: works/p101/stroke_count, format: number}"})
	const retained, all = `diastole_channel_retained_total{channel="stroke_count",pump="P-101",site="works"}`,
		`diastole_channel_messages_total{channel="stroke_count",pump="P-101",site="works"}`
	eventually(t, "the retained number came", func() bool { return r.metric(t, retained) == "1" })
	last := `diastole_pump_last_data_timestamp_seconds{pump="P-101",site="works"}`
	if got := r.metric(t, last); got != "" {
		t.Errorf("a retained number counts as data of %s", got)
	}
	p.publish(t, intake.Message{Topic: countTopic, Payload: []byte("4712")})
	eventually(t, "the live number counts", func() bool { return r.metric(t, all) == "2" && r.metric(t, last) != "" })
	if got := r.metric(t, retained); got != "1" {
		t.Errorf("%s retained", got)
	}
	r.stop()
}

// TestFloodOfUnknownTopics: a session that the broker kept may bring topics of an earlier configuration; they are dropped, and given up.
func TestFloodOfUnknownTopics(t *testing.T) {
	t.Parallel()
	address := freeAddress(t)
	mosquitto(t, address)
	broker := "mqtt://" + address
	state := t.TempDir()
	r := start(t, setup{broker: broker, state: state, channel: "{topic: works/p101/old, format: number}"})
	r.stop()
	p := connect(t, broker, "plant")
	var flood []intake.Message
	for i := range 2000 {
		flood = append(flood, intake.Message{Topic: "works/p101/old", Payload: fmt.Append(nil, i)})
	}
	p.publish(t, flood...)
	var log bytes.Buffer
	r = start(t, setup{broker: broker, state: state, log: &log})
	eventually(t, "the flood has passed", func() bool { return r.Session().Unrouted == int64(len(flood)) })
	messages := must(wear())(t)[:100]
	p.feed(t, r, messages)
	if n := r.Judged(); n != int64(len(messages)) {
		t.Errorf("%d messages judged, want %d", n, len(messages))
	}
	r.stop()
	p.publish(t, flood[:10]...)
	r = start(t, setup{broker: broker, state: state})
	p.feed(t, r, messages[:1])
	if n := r.Session().Unrouted; n != 0 {
		t.Errorf("%d more messages of a topic that was given up", n)
	}
	r.stop()
}
