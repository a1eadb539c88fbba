package agent

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/intake"
)

// idle is an agent that was never started: the tests are its pipeline.
func idle(t *testing.T) *Agent {
	t.Helper()
	cfg, err := config.Parse("test.yaml", fmt.Appendf(nil, `
site: works
mqtt: {listen: "127.0.0.1:0"}
web: {listen: "127.0.0.1:0"}
state_dir: %s
pumps:
  - id: P-101
    channels:
      air_inlet_pressure: {topic: air, format: number, unit: bar}
`, t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	a, err := New(t.Context(), Options{Config: cfg, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	})
	return a
}

// TestNoPauseBetweenMessages: a session calls no tick while messages wait. The page, the disk and people do not wait for a pause.
func TestNoPauseBetweenMessages(t *testing.T) {
	a := idle(t)
	now := time.Now()
	say := func() { a.message(intake.Message{Arrival: now, Topic: "air", Payload: []byte("5")}) }
	a.tick(now)
	shown := a.status.Load()
	say()
	if a.status.Load() != shown {
		t.Error("each message is handed over on its own")
	}
	a.turned = time.Now().Add(-2 * busyTurn)
	say()
	if a.status.Load() == shown {
		t.Error("nothing was handed over between messages without a pause")
	}
	if last := a.status.Load().pumps[0].LastArrival; !last.Equal(now) {
		t.Errorf("the page shows data of %v, want %v", last, now)
	}
}

// TestHeartbeatEachMinute of the wall clock.
func TestHeartbeatEachMinute(t *testing.T) {
	a := idle(t)
	beats := func() (got []event.Beat) {
		a.tick(time.Now())
		a.commits.mu.Lock()
		defer a.commits.mu.Unlock()
		for _, e := range a.commits.waiting.Events {
			var b event.Beat
			if err := json.Unmarshal(e.Data, &b); err != nil || e.Type != event.Heartbeat {
				t.Fatalf("%s: %v", e.Type, err)
			}
			got = append(got, b)
		}
		return got
	}
	if got := beats(); len(got) != 1 || got[0] != (event.Beat{Pumps: 1, Stale: 1, Learning: 1}) {
		t.Errorf("at the start: %+v", got)
	}
	if got := beats(); len(got) != 1 {
		t.Errorf("a second later there are %d", len(got))
	}
	a.message(intake.Message{Arrival: time.Now(), Topic: "air", Payload: []byte("5")})
	a.tick(time.Now())
	a.status.Load().beat = time.Now().Add(-beatEvery)
	if got := beats(); len(got) != 2 || got[1] != (event.Beat{Pumps: 1, Learning: 1}) {
		t.Errorf("a minute later: %+v", got)
	}
}
