package watch

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
)

// ErrConflict is what an act gives that the state of its ticket does not allow, or that was decided on an older version of it.
var ErrConflict = errors.New("conflicts with what was done meanwhile")

// ErrRefused is what an act gives that makes no sense; the error says why.
var ErrRefused = errors.New("cannot be done")

// Act is what a person does with a ticket.
type Act struct {
	Do event.Deed
	By string
	// Version, where not nil, is the version of the ticket that the person saw.
	Version *int64
	// Outcome is for closing: done or rejected. Note is the comment, what was found, or why it is rejected.
	Outcome event.Outcome
	Note    string
	// For is the day of scheduled work, YYYY-MM-DD.
	For string
}

// mostEntries bounds the log of a ticket.
const mostEntries = 500

// from lists the states that a deed may start from.
var from = map[event.Deed][]event.TicketState{
	event.Acknowledge: {event.StateOpen},
	event.Schedule:    {event.StateOpen, event.StateAcknowledged, event.StateScheduled},
	event.Begin:       {event.StateOpen, event.StateAcknowledged, event.StateScheduled},
	event.Close:       {event.StateOpen, event.StateAcknowledged, event.StateScheduled, event.StateInWork},
	event.Comment:     {event.StateOpen, event.StateAcknowledged, event.StateScheduled, event.StateInWork, event.StateClosed},
	event.Verify:      {event.StateClosed},
}

// do changes the ticket, or says why it cannot be. What a person asks for that is so already, said again by the same person, is
// no conflict and changes nothing: changed is then false.
func (a Act) do(t *event.Ticket, at time.Time) (changed bool, err error) {
	if a.Version != nil && *a.Version != t.Version {
		return false, fmt.Errorf("version %d was acted on, the ticket is at version %d, %s: %w", *a.Version, t.Version, lastDid(t), ErrConflict)
	}
	states, known := from[a.Do]
	if !known {
		return false, fmt.Errorf("deed %q is not known: %w", a.Do, ErrRefused)
	}
	if a.Do == event.Acknowledge && t.State == event.StateAcknowledged && t.By == a.By {
		return false, nil
	}
	if !slices.Contains(states, t.State) {
		return false, fmt.Errorf("it is %s, %s: %w", t.State, lastDid(t), ErrConflict)
	}
	if len(t.Log) >= mostEntries {
		return false, fmt.Errorf("its log has %d entries, which is the most: %w", len(t.Log), ErrConflict)
	}
	text := a.Note
	switch a.Do {
	case event.Acknowledge:
		t.State, t.By = event.StateAcknowledged, a.By
	case event.Schedule:
		if _, err := time.Parse(time.DateOnly, a.For); err != nil {
			return false, fmt.Errorf("%q is not a day, such as 2026-03-09: %w", a.For, ErrRefused)
		}
		t.State, t.By, t.ScheduledFor = event.StateScheduled, a.By, a.For
		text = strings.TrimSpace("for " + a.For + ". " + a.Note)
	case event.Begin:
		t.State, t.By = event.StateInWork, a.By
	case event.Close:
		switch {
		case a.Outcome != event.Done && a.Outcome != event.Rejected:
			return false, fmt.Errorf("outcome %q is not known; allowed are %s, %s: %w", a.Outcome, event.Done, event.Rejected, ErrRefused)
		case a.Outcome == event.Rejected && a.Note == "":
			return false, fmt.Errorf("a rejected ticket needs its reason as note: %w", ErrRefused)
		}
		t.State, t.By, t.Outcome, t.Note = event.StateClosed, a.By, a.Outcome, a.Note
		text = strings.TrimSuffix(string(a.Outcome)+": "+a.Note, ": ")
	case event.Verify:
		if t.Outcome != event.Done {
			return false, fmt.Errorf("it is closed as %s; only what is done can be verified: %w", t.Outcome, ErrConflict)
		}
		t.Outcome = event.Verified
	}
	t.Version++
	t.Log = append(slices.Clone(t.Log), event.LogEntry{Time: at.UTC(), By: a.By, Did: a.Do, Text: text})
	return true, nil
}

func lastDid(t *event.Ticket) string {
	if len(t.Log) == 0 {
		return "changed by new evidence"
	}
	l := t.Log[len(t.Log)-1]
	return fmt.Sprintf("last %s by %s at %s", l.Did, l.By, l.Time.Format(time.RFC3339))
}

// act is what a person does with a ticket of the book; the error says why it cannot be.
func (b *book) act(site string, p *config.Pump, id string, at time.Time, a Act, out *Output) (event.Ticket, error) {
	list := &b.Tickets
	i := b.index(id)
	if i < 0 {
		list = &b.Done
		i = slices.IndexFunc(b.Done, func(t event.Ticket) bool { return t.Ticket == id })
	}
	if i < 0 {
		return event.Ticket{}, fmt.Errorf("ticket %s: %w", id, ErrNotOpen)
	}
	t := (*list)[i]
	closed := t.State == event.StateClosed
	changed, err := a.do(&t, at)
	if err != nil {
		return event.Ticket{}, fmt.Errorf("ticket %s: %w", id, err)
	}
	if !changed {
		return t, nil
	}
	kind := event.TicketUpdated
	switch {
	case t.State == event.StateClosed && !closed:
		kind = event.TicketClosed
		b.Tickets = slices.Delete(b.Tickets, i, i+1)
		if t.Outcome == event.Done {
			b.keepDone(t)
		}
	default:
		(*list)[i] = t
	}
	b.tell(site, p, kind, at, t, out)
	return t, nil
}

// mostDone bounds the tickets of a pump that are done and may still be verified, commented on, or taken up again.
const mostDone = 8

func (b *book) keepDone(t event.Ticket) {
	b.Done = append(b.Done, t)
	b.Done = b.Done[max(0, len(b.Done)-mostDone):]
}

// tell stores a ticket that a person or an acceptance changed, and makes its event. The version is part of what the event is
// about, so that two changes of one moment are two events.
func (b *book) tell(site string, p *config.Pump, kind event.Type, at time.Time, t event.Ticket, out *Output) {
	out.Tickets = append(out.Tickets, Ticket{at, t})
	out.emit(site, p.ID, kind, at, fmt.Sprintf("%s version %d", t.Ticket, t.Version), t)
}

func (b *book) index(id string) int {
	return slices.IndexFunc(b.Tickets, func(t event.Ticket) bool { return t.Ticket == id })
}

// has tells whether a ticket is one that can still be acted on.
func (b *book) has(id string) bool {
	return b.index(id) >= 0 || slices.ContainsFunc(b.Done, func(t event.Ticket) bool { return t.Ticket == id })
}

// Act does something with a ticket for a person. Where it closes the ticket as done the pump has been rebuilt: its healthy
// state is learned anew, and unless somebody says more, the ticket's kit is taken to be used.
func (s *Site) Act(id string, a Act, at time.Time) (event.Ticket, error) {
	for _, p := range s.pumps {
		if !p.book.has(id) {
			continue
		}
		t, err := p.book.act(p.site, p.cfg, id, at, a, &p.out)
		if err == nil && a.Do == event.Close && t.Outcome == event.Done {
			p.recordRebuild(Rebuilt{By: a.By, Kits: []kit{t.Kit}, Note: t.Note, assumed: true}, &t, at, nil)
		}
		return t, err
	}
	return event.Ticket{}, fmt.Errorf("ticket %s: %w", id, ErrNotOpen)
}
