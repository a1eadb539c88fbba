package session

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"diastole/agent/config"
	"diastole/agent/intake"
)

// delivered is a message as the library hands it to its handler.
type delivered struct {
	mqtt.Message
	topic, text string
}

func (d delivered) Topic() string   { return d.topic }
func (d delivered) Payload() []byte { return []byte(d.text) }
func (d delivered) Retained() bool  { return false }

// In fake time, with nothing listening at the broker's address: ticks never overtake a message that arrived
// before them, times never go back, and nothing is left behind at the end.
func TestTicksAndMessagesComeInOrderOfTheirTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := New(config.MQTT{Broker: "mqtt://127.0.0.1:1", ClientID: "c"}, []string{"a"}, time.Now, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		s.timing.retryMin = time.Hour // one refused attempt, then peace
		ctx, cancel := context.WithCancel(t.Context())
		var last time.Time
		messages, ticks := 0, 0
		check := func(what string, now time.Time) {
			if now.Before(last) {
				t.Errorf("%s of %v comes after %v", what, now, last)
			}
			last = now
		}
		var run sync.WaitGroup
		run.Go(func() {
			s.Run(ctx, func(m intake.Message) {
				check("message", m.Arrival)
				messages++
			}, func(now time.Time) {
				check("tick", now)
				ticks++
			})
		})
		const sent = 5000
		random := rand.New(rand.NewPCG(1, 2))
		for i := range sent {
			s.receive(nil, delivered{topic: "a", text: fmt.Sprint(i)})
			if i%10 == 0 {
				time.Sleep(time.Duration(random.Int64N(int64(1500 * time.Millisecond)))) // fake time: this is what the ticker sees pass
			}
		}
		cancel()
		run.Wait()
		if messages != sent || ticks < 100 || s.queued.Load() != 0 {
			t.Errorf("%d messages of %d, %d ticks, %d bytes left", messages, sent, ticks, s.queued.Load())
		}
	})
}

func TestSmallStepsBackOfTheClockAreHeld(t *testing.T) {
	t0 := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	now := t0
	s, err := New(config.MQTT{Broker: "mqtt://h", ClientID: "c"}, nil, func() time.Time { return now }, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ clock, want time.Duration }{
		{0, 0}, {10 * time.Second, 10 * time.Second}, {-40 * time.Second, 10 * time.Second}, {11 * time.Second, 11 * time.Second},
		{-time.Hour, -time.Hour}, {-time.Hour + time.Second, -time.Hour + time.Second},
	} {
		now = t0.Add(tt.clock)
		if got := s.stamp().Sub(t0); got != tt.want {
			t.Errorf("the clock says %s, the stamp %s; want %s", tt.clock, got, tt.want)
		}
	}
}

// The library's log goes where the program's goes.
func TestBridgeLogs(t *testing.T) {
	was := [3]mqtt.Logger{mqtt.CRITICAL, mqtt.ERROR, mqtt.WARN}
	t.Cleanup(func() { mqtt.CRITICAL, mqtt.ERROR, mqtt.WARN = was[0], was[1], was[2] })
	log := &logBuffer{}
	BridgeLogs(slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug})))
	mqtt.ERROR.Println("[net]", "broken", 7)
	mqtt.WARN.Printf("%d left\n", 3)
	if !log.contains("severity=error text=\"[net] broken 7\"") || !log.contains("severity=warning text=\"3 left\"") {
		t.Errorf("the log says %q", log.b.String())
	}
}
