package agent

import (
	"context"
	"fmt"
	"strings"
	"time"

	"diastole/agent/web"
)

// Health implements web.Source: what is wrong with the agent itself, in one place.
func (s *source) Health(context.Context) web.Health {
	h := web.Health{Ready: true}
	add := func(name string, ok bool, since time.Time, text string) {
		h.Conditions = append(h.Conditions, web.Condition{Name: name, OK: ok, Since: since, Text: text})
	}
	b := s.session.Status()
	switch {
	case b.Connected:
		add("sensor messages", true, b.Since, "connected to the broker")
	default:
		h.Ready = false
		add("sensor messages", false, b.Since, strings.TrimSuffix("not connected to the broker: "+b.LastError, ": "))
	}
	if b.Dropped > 0 {
		add("message queue", false, b.Since, fmt.Sprintf("%d messages came faster than they could be judged and were dropped", b.Dropped))
	}
	if since, dropped, err := s.commits.state(); err != nil {
		h.Ready = false
		add("storage", false, since, fmt.Sprintf("storing fails, %d epochs dropped so far: %v", dropped, err))
	} else {
		add("storage", true, time.Time{}, "stores")
	}
	if r := s.store.Recovery(); r.Quarantined != "" {
		add("stored state", false, time.Time{}, fmt.Sprintf("was damaged (%s) and is kept as %s; %d tickets came back from their copy", r.Reason, r.Quarantined, r.Tickets))
	}
	for _, r := range s.runner.States() {
		if r.Failing.IsZero() {
			add("receiver "+r.Receiver, true, r.LastSuccess, "is told")
		} else {
			add("receiver "+r.Receiver, false, r.Failing, r.Error)
		}
	}
	stales := 0
	board := s.status.Load()
	for _, p := range board.pumps {
		if stale(p, board.at) {
			stales++
		}
	}
	text := "data of all pumps"
	if stales > 0 {
		text = fmt.Sprintf("no data of %d of %d pumps for %.0f h", stales, len(board.pumps), staleAfter.Hours())
	}
	add("pump data", stales == 0, time.Time{}, text)
	return h
}
