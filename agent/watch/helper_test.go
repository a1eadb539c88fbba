package watch_test

import (
	"errors"
	"flag"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/intake/recording"
	"diastole/agent/watch"
	"diastole/detect/feature"
)

func TestMain(m *testing.M) {
	flag.Parse()
	// Each check of a property runs a whole recording.
	if err := flag.Set("rapid.checks", "5"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

const pumpID = "P-101"

// wear is the recording of a pump that wears, with its configuration: see testdata/e2e/README.md.
var wear = sync.OnceValues(func() ([]intake.Message, error) {
	return readRecording(filepath.Join("..", "..", "testdata", "e2e", "wear.ndjson.zst"))
})

func wearMessages(t testing.TB) []intake.Message {
	t.Helper()
	messages, err := wear()
	if err != nil {
		t.Fatal(err)
	}
	return messages
}

func readRecording(path string) ([]intake.Message, error) {
	r, err := recording.Open(path)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	var all []intake.Message
	for {
		m, err := r.Next()
		if errors.Is(err, io.EOF) {
			return all, nil
		}
		if err != nil {
			return nil, err
		}
		all = append(all, m)
	}
}

var wearConfig = sync.OnceValues(func() (*config.Config, error) {
	return config.Load(filepath.Join("..", "..", "testdata", "e2e", "diastole.yaml"))
})

// fataler is what tests and properties have in common.
type fataler interface {
	Helper()
	Fatal(args ...any)
}

func newSite(t fataler, cfg *config.Config) *watch.Site {
	t.Helper()
	s, err := watch.New(cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// wearSite is a fresh site for the recording.
func wearSite(t fataler) *watch.Site {
	t.Helper()
	cfg, err := wearConfig()
	if err != nil {
		t.Fatal(err)
	}
	return newSite(t, cfg)
}

// collected is all that came out of a site.
type collected struct{ watch.Output }

func (c *collected) take(s *watch.Site) {
	out := s.Take()
	c.Epochs = append(c.Epochs, out.Epochs...)
	c.Events = append(c.Events, out.Events...)
	c.Tickets = append(c.Tickets, out.Tickets...)
	c.Advisories = append(c.Advisories, out.Advisories...)
	c.Rebuilds = append(c.Rebuilds, out.Rebuilds...)
	c.Bodies = append(c.Bodies, out.Bodies...)
}

func (c *collected) epochs() []feature.Epoch {
	out := make([]feature.Epoch, len(c.Epochs))
	for i, e := range c.Epochs {
		out[i] = e.Epoch
	}
	return out
}

// feed gives messages to a site and collects what comes of them.
func (c *collected) feed(s *watch.Site, messages []intake.Message) {
	for _, m := range messages {
		s.Message(m)
		c.take(s)
	}
}

// finish lets an hour pass after the last message.
func (c *collected) finish(s *watch.Site, messages []intake.Message) {
	s.Tick(messages[len(messages)-1].Arrival.Add(time.Hour))
	c.take(s)
}

// reference is what the whole recording gives without a tick in between.
func reference(t fataler, messages []intake.Message) collected {
	t.Helper()
	s := wearSite(t)
	var c collected
	c.feed(s, messages)
	c.finish(s, messages)
	return c
}

var exactly = cmp.Options{cmpopts.EquateNaNs()}

// types lists the types of events in order.
func types(events []event.Event) []event.Type {
	out := make([]event.Type, len(events))
	for i, e := range events {
		out[i] = e.Type
	}
	return out
}

// upTo is the number of messages that are needed for n events.
func upTo(t testing.TB, messages []intake.Message, n int) int {
	t.Helper()
	s := wearSite(t)
	for i, m := range messages {
		s.Message(m)
		out := s.Take()
		if n -= len(out.Events); n <= 0 {
			return i + 1
		}
	}
	t.Fatalf("%d events are lacking", n)
	return 0
}
