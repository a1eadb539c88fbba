package intake

import (
	"bytes"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/config"
	"diastole/agent/intake/payload"
	"diastole/detect/signal"
)

var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func twoPumps() []config.Pump {
	return []config.Pump{
		{ID: "P-101", Channels: []config.Channel{
			{Channel: signal.AirSupplyPressure, Topic: "north/header", Format: config.FormatNumber, Factor: 1e5, Shared: true},
			{Channel: signal.StrokeCount, Topic: "north/p101/strokes", Format: config.FormatNumber, Factor: 1},
		}},
		{ID: "P-102", Channels: []config.Channel{
			{Channel: signal.AirSupplyPressure, Topic: "north/header", Format: config.FormatNumber, Factor: 1e5, Shared: true},
			{Channel: signal.DischargePressure, Topic: "north/p102", Format: config.FormatJSON, Value: "/p", Time: "/t", Factor: 1e5},
		}},
	}
}

func newTestRouter(t *testing.T, log *bytes.Buffer) *Router {
	t.Helper()
	r, err := NewRouter(twoPumps(), slog.New(slog.NewTextHandler(log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestRouterFindsEveryChannelOfATopic(t *testing.T) {
	var log bytes.Buffer
	r := newTestRouter(t, &log)
	if diff := cmp.Diff([]string{"north/header", "north/p101/strokes", "north/p102"}, r.Topics()); diff != "" {
		t.Error(diff)
	}
	m := Message{Arrival: t0, Topic: "north/header", Payload: []byte("6.5")}
	var pumps []int
	for _, route := range r.Find(m.Topic) {
		got := route.Decode(new(payload.Samples), m)
		want := []signal.Chunk{{Channel: signal.AirSupplyPressure, Start: t0, Values: []float64{6.5e5}}}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", route.PumpID, diff)
		}
		pumps = append(pumps, route.Pump)
	}
	if diff := cmp.Diff([]int{0, 1}, pumps); diff != "" {
		t.Error(diff)
	}
	if len(r.Find("north/unknown")) != 0 || r.Unrouted() != 1 {
		t.Errorf("%d unrouted; want 1", r.Unrouted())
	}
	if n := testing.AllocsPerRun(100, func() { r.Find(m.Topic) }); n != 0 {
		t.Errorf("finding a topic allocates %g times", n)
	}
	if log.Len() != 0 {
		t.Errorf("the log says %q", log.String())
	}
}

// CONTRACT: a number's time is its arrival; a retained one is ignored until a live one comes.
func TestRetainedIsIgnoredWithoutATimeOfItsOwn(t *testing.T) {
	r := newTestRouter(t, new(bytes.Buffer))
	number, timed := r.Find("north/p101/strokes")[0], r.Find("north/p102")[0]
	if c := number.Decode(new(payload.Samples), Message{Arrival: t0, Payload: []byte("41"), Retained: true}); c != nil {
		t.Errorf("a retained number gave %v", c)
	}
	if c := number.Decode(new(payload.Samples), Message{Arrival: t0, Payload: []byte("42")}); c == nil {
		t.Error("a live number gave nothing")
	}
	m := Message{Arrival: t0, Payload: []byte(`{"p":2,"t":"2026-02-28T22:00:00Z"}`), Retained: true}
	if c := timed.Decode(new(payload.Samples), m); len(c) != 1 || !c[0].Start.Equal(t0.Add(-2*time.Hour)) {
		t.Errorf("a retained value with its own time gave %v", c)
	}
	if s := number.Stats(); s.Messages != 2 || s.Retained != 1 || len(s.Malformed) != 0 {
		t.Errorf("%+v", s)
	}
}

func TestMalformedPayloadsAreCountedKeptAndNamed(t *testing.T) {
	var log bytes.Buffer
	r := newTestRouter(t, &log)
	route := r.Find("north/p101/strokes")[0]
	send := func(after time.Duration, text string) {
		if c := route.Decode(new(payload.Samples), Message{Arrival: t0.Add(after), Payload: []byte(text)}); c != nil {
			t.Errorf("%.20q gave %v", text, c)
		}
	}
	lines := func() int { return strings.Count(log.String(), "\n") }
	send(0, "abc")
	if lines() != 1 {
		t.Fatalf("the first bad payload is named at once: %q", log.String())
	}
	for i := range 59 {
		send(time.Duration(i)*time.Second, "")
	}
	if lines() != 1 {
		t.Errorf("within a minute the log says %q", log.String())
	}
	long := strings.Repeat("x", 10_000)
	send(time.Minute, long)
	if lines() != 2 || !strings.Contains(log.String(), "refused_since_last=60") {
		t.Errorf("after a minute the log says %q", log.String())
	}
	for _, want := range []string{"pump=P-101", "channel=stroke_count", "topic=north/p101/strokes", "reason=not-a-number"} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log lacks %s: %q", want, log.String())
		}
	}
	send(-24*time.Hour, "abc")
	if lines() != 3 {
		t.Error("a clock that went back silences the log")
	}
	send(time.Minute, long)

	got := route.Stats()
	want := RouteStats{
		Messages:  63,
		Malformed: map[payload.Reason]int64{payload.NotANumber: 4, payload.Empty: 59},
		LastBad: &BadPayload{
			Time: t0.Add(time.Minute), Reason: payload.NotANumber, Text: got.LastBad.Text,
			Size: 10_000, Payload: []byte(long[:4096]),
		},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if !strings.Contains(got.LastBad.Text, "is not a number") {
		t.Errorf("the kept text is %q", got.LastBad.Text)
	}
}

func TestRouterNamesAChannelItCannotDecode(t *testing.T) {
	pumps := twoPumps()
	pumps[1].Channels[1].Value = "p"
	_, err := NewRouter(pumps, slog.New(slog.DiscardHandler))
	if want := "pump P-102, channel discharge_pressure: value: pointer"; err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v; want %q", err, want)
	}
}

func TestStatsWhileDecoding(t *testing.T) {
	r := newTestRouter(t, new(bytes.Buffer))
	route := r.Routes()[1]
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := range 1000 {
			route.Decode(new(payload.Samples), Message{Arrival: t0, Payload: fmt.Append(nil, i, "x")})
		}
	}()
	for n := int64(0); n < 1000; {
		s := route.Stats()
		if got := s.Malformed[payload.NotANumber]; got < n || got > s.Messages {
			t.Fatalf("%d malformed of %d messages after %d", got, s.Messages, n)
		} else {
			n = got
		}
	}
	<-done
}
