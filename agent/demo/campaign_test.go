//go:build campaign

package demo

import (
	"fmt"
	"log/slog"
	"testing"
	"time"

	"diastole/agent/intake"
	"diastole/agent/watch"
)

// TestSeeds plays plants of other pumps, other noise and other operators, without broker, disk and page: each must come out
// right. It takes minutes:
//
//	go test -tags campaign -run Seeds -v -timeout 1h ./agent/demo
func TestSeeds(t *testing.T) {
	const hours = 160
	for seed := range uint64(6) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			cfg, err := configuration(t.TempDir(), "")
			if err != nil {
				t.Fatal(err)
			}
			s, err := newStage(cfg, seed)
			if err != nil {
				t.Fatal(err)
			}
			site, err := watch.New(cfg, slog.New(slog.DiscardHandler))
			if err != nil {
				t.Fatal(err)
			}
			story := newStory(t.Output())
			for s.after() < hours*time.Hour {
				for _, m := range s.second() {
					site.Message(intake.Message{Arrival: s.clock.now(), Topic: m.topic, Payload: m.payload})
				}
				s.taken()
				site.Tick(s.clock.now())
				out := site.Take()
				story.events(out.Events)
			}
			for _, f := range story.end(s.after()) {
				if !f.right() {
					t.Errorf("%s: %s", f.pump, f.words(s.after()))
				}
			}
		})
	}
}
