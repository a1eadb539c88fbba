package agent_test

import (
	"encoding/json"
	"log/slog"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/watch"
)

// replay gives the events of messages as the replay command makes them.
func replay(t testing.TB, messages []intake.Message) []event.Event {
	t.Helper()
	s := must(watch.New(configure(t, setup{}), slog.New(slog.DiscardHandler)))(t)
	var events []event.Event
	for _, m := range messages {
		s.Message(m)
		events = append(events, s.Take().Events...)
	}
	s.Tick(messages[len(messages)-1].Arrival)
	return append(events, s.Take().Events...)
}

// wearEvents are those of the whole recording, with a line at its end that says that silence followed.
func wearEvents(t testing.TB) []event.Event {
	t.Helper()
	return replay(t, must(wear())(t))
}

// subscribe keeps the messages of a topic filter.
func (p plant) subscribe(t testing.TB, filter string) (got func() []mqtt.Message) {
	t.Helper()
	c := make(chan mqtt.Message, 10_000)
	wait(t, p.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) { c <- m }))
	var all []mqtt.Message
	return func() []mqtt.Message {
		for len(c) > 0 {
			all = append(all, <-c)
		}
		return all
	}
}

func eventsIn(t testing.TB, messages []mqtt.Message) []event.Event {
	t.Helper()
	var out []event.Event
	for _, m := range messages {
		var e event.Event
		if err := json.Unmarshal(m.Payload(), &e); err != nil {
			t.Fatalf("%s: %v: %s", m.Topic(), err, m.Payload())
		}
		out = append(out, e)
	}
	return out
}

// TestLiveIsReplay: what the agent tells of messages from a real client is what a replay of its own recording tells, byte for
// byte, and every receiver gets it once.
func TestLiveIsReplay(t *testing.T) {
	t.Parallel()
	messages := must(wear())(t)
	live := func(t *testing.T, broker string) {
		tee := filepath.Join(t.TempDir(), "tee.ndjson.gz")
		h := newHook(t)
		r := start(t, setup{broker: broker, record: tee, outlets: h.outlet(), clock: time.Now})
		if broker == "" {
			broker = r.brokerURL()
		}
		p := connect(t, broker, "plant")
		events, states := p.subscribe(t, "diastole/works/P-101/events"), p.subscribe(t, "diastole/works/P-101/state")
		beats := p.subscribe(t, "diastole/works/events")
		p.feed(t, r, messages)
		eventually(t, "a ticket", func() bool { return len(r.tickets(t)) > 0 })
		eventually(t, "all events are told", func() bool { n := len(r.events()); return len(ofPumps(h.got())) >= n && len(events()) >= n })
		eventually(t, "a heartbeat", func() bool { return len(beats()) > 0 })
		eventually(t, "the state", func() bool {
			s := states()
			return len(s) > 0 && strings.Contains(string(s[len(s)-1].Payload()), `"tickets":["P-101-`)
		})
		beat := eventsIn(t, beats())[0]
		// An embedded broker that goes down with the agent may not hand on its last messages.
		eventually(t, "nothing is under way", func() bool {
			return r.metric(t, `diastole_outlet_pending_rows{receiver="desk"}`) == "0" && r.metric(t, `diastole_outlet_pending_rows{receiver="mqtt"}`) == "0"
		})
		r.stop()

		recorded := must(readRecording(tee))(t)
		if n := len(recorded); n != len(messages) && n != len(messages)+1 {
			t.Errorf("%d messages recorded of %d", n, len(messages))
		}
		told := r.events()
		if d := cmp.Diff(replay(t, recorded), told); d != "" {
			t.Errorf("(-replay +live):\n%s", d)
		}
		if d := cmp.Diff(told, ofPumps(h.got())); d != "" {
			t.Errorf("(-told +webhook):\n%s", d)
		}
		for id, n := range h.counts {
			if n != 1 {
				t.Errorf("event %s came %d times", id, n)
			}
		}
		eventually(t, "the broker has handed on everything", func() bool { return len(events()) >= len(told) })
		if d := cmp.Diff(told, eventsIn(t, events())); d != "" {
			t.Errorf("(-told +mqtt):\n%s", d)
		}
		if string(beat.Data) != `{"pumps":1,"stale":1,"learning":1}` || beat.Type != event.Heartbeat || beat.Source != "/sites/works" {
			t.Errorf("heartbeat of an agent that has no data yet: %+v %s", beat, beat.Data)
		}
	}
	t.Run("embedded broker", func(t *testing.T) { live(t, "") })
	t.Run("mosquitto", func(t *testing.T) {
		address := freeAddress(t)
		mosquitto(t, address)
		live(t, "mqtt://"+address)
	})
}

// TestSilenceIsInTheRecording: an epoch that only the passing of time has ended is in the replay too.
func TestSilenceIsInTheRecording(t *testing.T) {
	t.Parallel()
	messages := must(wear())(t)[:20]
	tee := filepath.Join(t.TempDir(), "tee.ndjson")
	var ahead atomic.Int64
	r := start(t, setup{record: tee, clock: func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }})
	connect(t, r.brokerURL(), "plant").feed(t, r, messages)
	const inlet = `diastole_pump_inlet_pascals{pump="P-101",site="works"}`
	if got := r.metric(t, inlet); got != "" {
		t.Fatalf("the epoch is finished too early to show anything: %s", got)
	}
	ahead.Store(int64(time.Hour))
	eventually(t, "the epoch is finished", func() bool { return r.metric(t, inlet) != "" })
	want := r.metric(t, inlet)
	r.stop()

	s := must(watch.New(configure(t, setup{}), slog.New(slog.DiscardHandler)))(t)
	var last time.Time
	for _, m := range must(readRecording(tee))(t) {
		s.Message(m)
		last = m.Arrival
	}
	s.Tick(last)
	if got := strconv.FormatFloat(s.Status()[0].Newest.Inlet.V, 'g', -1, 64); got != want || len(s.Take().Epochs) != 1 {
		t.Errorf("inlet pressure %s, live %s", got, want)
	}
}
