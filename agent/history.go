package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/intake/recording"
	"diastole/agent/watch"
)

// HistoryDir is the folder below that of the state in which recordings of history lie, one or more per channel.
const HistoryDir = "history"

// learnHistory lets the pumps of which nothing is known yet see their history, so that learning starts with it. A pump that is
// known already has seen it, or has gone on without.
func (a *Agent) learnHistory(ctx context.Context) error {
	var files []string
	for _, ending := range []string{".ndjson", ".ndjson.gz", ".ndjson.zst"} {
		found, err := filepath.Glob(filepath.Join(a.cfg.StatePath(), HistoryDir, "*"+ending))
		if err != nil {
			return fmt.Errorf("history: %w", err)
		}
		files = append(files, found...)
	}
	unknown := map[string]bool{}
	for _, s := range a.site.Status() {
		if s.LastData.IsZero() {
			unknown[s.Pump.ID] = true
		}
	}
	if len(files) == 0 || len(unknown) == 0 {
		return nil
	}
	slices.Sort(files)
	readers := make([]*recording.Reader, 0, len(files))
	for _, file := range files {
		r, err := recording.Open(file)
		if err != nil {
			return fmt.Errorf("history: %w", err)
		}
		defer r.Close() //nolint:revive,errcheck // a handful of files, all open to the end, only read
		readers = append(readers, r)
	}
	n, last, err := a.see(ctx, recording.NewMerge(readers...), unknown)
	if err != nil || n == 0 {
		return err
	}
	a.site.Tick(last)
	a.early = a.withoutThePast(a.site.Take())
	a.log.Info("history was learned from", "messages", n, "until", last)
	return nil
}

// see shows the history of some pumps to the site.
func (a *Agent) see(ctx context.Context, history *recording.Merge, of map[string]bool) (n int, last time.Time, err error) {
	badLines := 0
	for {
		m, err := history.Next()
		var bad *recording.LineError
		switch {
		case errors.Is(err, io.EOF):
			if badLines > 0 {
				a.log.Warn("lines of the history are no messages and are passed over", "lines", badLines)
			}
			return n, last, nil
		case errors.As(err, &bad):
			badLines++
			continue
		case err != nil:
			return n, last, fmt.Errorf("history: %w", err)
		}
		if !of[intake.ImportedPump(m.Topic)] {
			continue
		}
		a.site.Message(m)
		last = m.Arrival
		if n++; n%100_000 == 0 {
			if ctx.Err() != nil {
				return n, last, fmt.Errorf("history: %w", ctx.Err())
			}
			a.log.Info("learning from history", "messages", n, "at", last)
		}
	}
}

// withoutThePast leaves out the tickets and advisories of pumps at which none stands at the end: what came and went in the history is
// nobody's to act on.
func (a *Agent) withoutThePast(out watch.Output) watch.Output {
	stands := map[string]bool{}
	for _, s := range a.site.Status() {
		stands[s.Pump.ID] = len(s.Tickets)+len(s.Advisories) > 0
	}
	out.Events = slices.DeleteFunc(out.Events, func(e event.Event) bool {
		return !stands[e.Subject] && !strings.HasPrefix(string(e.Type), "diastole.baseline.")
	})
	out.Tickets = slices.DeleteFunc(out.Tickets, func(t watch.Ticket) bool { return !stands[t.Ticket.Pump] })
	out.Advisories = slices.DeleteFunc(out.Advisories, func(v watch.Advisory) bool { return !stands[v.Advisory.Pump] })
	return out
}
