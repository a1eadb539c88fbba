package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/intake/recording"
	"diastole/agent/watch"
)

type replayCommand struct {
	Config     string   `short:"c" required:"" type:"path" placeholder:"FILE" help:"the configuration"`
	Recordings []string `arg:"" type:"existingfile" help:"recordings, merged by arrival time"`
}

// Run implements the command.
func (c *replayCommand) Run(ctx context.Context, s *streams) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return err
	}
	site, err := watch.New(cfg, s.log)
	if err != nil {
		return err
	}
	readers := make([]*recording.Reader, 0, len(c.Recordings))
	for _, path := range c.Recordings {
		r, err := recording.Open(path)
		if err != nil {
			return err
		}
		defer r.Close() //nolint:revive,errcheck // a handful of files, all open to the end, only read
		readers = append(readers, r)
	}
	p := &replay{site: site}
	began := time.Now()
	err = p.read(ctx, recording.NewMerge(readers...), s)
	out := json.NewEncoder(s.out)
	out.SetEscapeHTML(false)
	for _, e := range p.sorted() {
		if err := out.Encode(e); err != nil {
			return fmt.Errorf("write events: %w", err)
		}
	}
	p.summary(s.err, time.Since(began))
	return err
}

// replay is one pass over recordings.
type replay struct {
	site               *watch.Site
	messages, badLines int
	epochs             int
	first, last        time.Time
	events             []event.Event
}

// read takes all messages. Lines that are no message are told and passed over.
func (p *replay) read(ctx context.Context, m *recording.Merge, s *streams) error {
	for n := 0; ; n++ {
		if n%1000 == 0 && ctx.Err() != nil {
			return errors.New("interrupted: the events are those of the part that was read")
		}
		msg, err := m.Next()
		var bad *recording.LineError
		switch {
		case errors.Is(err, io.EOF):
			p.site.Tick(p.last)
			p.take()
			return nil
		case errors.As(err, &bad):
			if p.badLines++; p.badLines <= 10 {
				s.log.Warn("a line is no message and is passed over", "error", bad)
			}
			continue
		case err != nil:
			return err
		}
		if p.messages++; p.first.IsZero() {
			p.first = msg.Arrival
		}
		if msg.Arrival.After(p.last) {
			p.last = msg.Arrival
		}
		p.site.Message(msg)
		p.take()
	}
}

func (p *replay) take() {
	out := p.site.Take()
	p.epochs += len(out.Epochs)
	p.events = append(p.events, out.Events...)
}

// sorted gives the events in order of time; those of one moment in the order of their making.
func (p *replay) sorted() []event.Event {
	slices.SortStableFunc(p.events, func(a, b event.Event) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Subject, b.Subject))
	})
	return p.events
}

// summary tells people what was read and found.
func (p *replay) summary(w io.Writer, took time.Duration) {
	fmt.Fprintf(w, "%d messages from %s to %s in %.1f s; %d epochs, %d events", p.messages,
		p.first.UTC().Format(time.RFC3339), p.last.UTC().Format(time.RFC3339), took.Seconds(), p.epochs, len(p.events))
	if p.badLines > 0 {
		fmt.Fprintf(w, "; %d lines were no message", p.badLines)
	}
	fmt.Fprintln(w, ".")
	for _, st := range p.site.Status() {
		malformed, n := 0, 0
		for _, r := range p.site.Router().Routes() {
			if r.PumpID != st.Pump.ID {
				continue
			}
			x := r.Stats()
			n += int(x.Messages)
			for _, k := range x.Malformed {
				malformed += int(k)
			}
		}
		fmt.Fprintf(w, "%s: %d messages, %d malformed, %d doubled, %d late; ", st.Pump.ID, n, malformed, st.Settled.Duplicate, st.Settled.Late)
		switch st.Monitor.Baseline {
		case nil:
			fmt.Fprintf(w, "%.0f %% learned", 100*st.Monitor.Learned)
		default:
			fmt.Fprintf(w, "learned from %d epochs, statistic %.1f of %.1f", st.Monitor.Baseline.Epochs, st.Monitor.Score, st.Monitor.Threshold)
		}
		for _, t := range st.Tickets {
			fmt.Fprintf(w, "; ticket %s: %s, pull the %s kit", t.Ticket, t.Fault, t.Kit)
		}
		for _, a := range st.Advisories {
			fmt.Fprintf(w, "; advisory: %s", a.Cause)
		}
		fmt.Fprintln(w, ".")
	}
}
