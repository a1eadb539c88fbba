package watch_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/agent/watch"
)

// acted is a site that has opened the ticket of the recording, the messages that are still to come, and the time.
func acted(t *testing.T) (s *watch.Site, id string, at time.Time, rest func() collected) {
	t.Helper()
	messages := wearMessages(t)
	n := upTo(t, messages, 2)
	s = wearSite(t)
	var c collected
	c.feed(s, messages[:n])
	id, at = c.Tickets[0].Ticket.Ticket, messages[n-1].Arrival.Add(time.Second)
	return s, id, at, func() collected {
		var c collected
		c.take(s)
		c.feed(s, messages[n:])
		c.finish(s, messages)
		return c
	}
}

// TestAcknowledgeIsToldAndKept: it is an event, and later changes of the ticket keep it.
func TestAcknowledgeIsToldAndKept(t *testing.T) {
	s, id, at, rest := acted(t)
	got, err := s.Act(id, watch.Act{Do: event.Acknowledge, By: "jo"}, at)
	if err != nil {
		t.Fatal(err)
	}
	if got.State != event.StateAcknowledged || got.By != "jo" {
		t.Errorf("answer %s by %q", got.State, got.By)
	}
	c := rest()
	if e := c.Events[0]; e.Type != event.TicketUpdated || !e.Time.Equal(at) || !strings.Contains(string(e.Data), `"state":"acknowledged","by":"jo"`) {
		t.Errorf("first event %s at %v: %s", e.Type, e.Time, e.Data)
	}
	if len(c.Tickets) < 2 {
		t.Fatalf("%d changes of the ticket, want the acknowledgement and what the pump brought since", len(c.Tickets))
	}
	for _, x := range c.Tickets {
		if x.Ticket.Ticket != id || x.Ticket.State != event.StateAcknowledged || x.Ticket.By != "jo" {
			t.Errorf("at %v: ticket %s is %s by %q", x.Time, x.Ticket.Ticket, x.Ticket.State, x.Ticket.By)
		}
	}
}

// TestAdoptKeepsWhatPeopleDid: after a crash the epochs are folded again; what people did is in the store alone.
func TestAdoptKeepsWhatPeopleDid(t *testing.T) {
	s, id, at, rest := acted(t)
	snap := snapshot(t, s) // from before the acknowledgement
	ticket, err := s.Act(id, watch.Act{Do: event.Acknowledge, By: "jo"}, at)
	if err != nil {
		t.Fatal(err)
	}
	want := rest()

	again := wearSite(t)
	if err := again.Restore(pumpID, snap, nil, watch.Known{}); err != nil {
		t.Fatal(err)
	}
	again.Adopt(watch.Known{Tickets: []event.Ticket{ticket}})
	messages := wearMessages(t)
	var c collected
	c.feed(again, messages[upTo(t, messages, 2):])
	c.finish(again, messages)
	if d := cmp.Diff(want.Events[1:], c.Events); d != "" {
		t.Errorf("events (-unbroken +after the crash):\n%s", d)
	}

	// Folding all epochs again tells nothing twice.
	all := reference(t, messages)
	fold := wearSite(t)
	if err := fold.Restore(pumpID, nil, all.epochs(), watch.Known{}); err != nil {
		t.Fatal(err)
	}
	fold.Adopt(watch.Known{Tickets: []event.Ticket{ticket, {Ticket: "x", Pump: pumpID, State: event.StateClosed}, {Ticket: "y", Pump: "P-999"}}})
	if out := fold.Take(); !out.Empty() {
		t.Errorf("told again: %+v", out)
	}
	if got := fold.Status()[0].Tickets; len(got) != 1 || got[0].By != "jo" {
		t.Errorf("tickets %+v, want the acknowledged one alone", got)
	}
}

func snapshot(t *testing.T, s *watch.Site) []byte {
	t.Helper()
	_, data, err := s.Snapshot(pumpID)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// TestDoneLearnsAnew: a rebuilt pump is another pump.
func TestDoneLearnsAnew(t *testing.T) {
	s, id, at, rest := acted(t)
	if _, err := s.Act(id, watch.Act{Do: event.Close, By: "jo", Outcome: event.Done, Note: "worn ball"}, at); err != nil {
		t.Fatal(err)
	}
	if st := s.Status()[0]; len(st.Tickets) != 0 || st.Monitor.Baseline != nil || st.Monitor.Learned != 0 || st.Monitor.Strokes != 0 {
		t.Errorf("after the rebuild: %d tickets, baseline %v, learned %g, strokes %g", len(st.Tickets), st.Monitor.Baseline, st.Monitor.Learned, st.Monitor.Strokes)
	}
	c := rest()
	if got, want := types(c.Events)[:3], []event.Type{event.TicketClosed, event.BaselineReset, event.RebuildRecorded}; !slices.Equal(got, want) {
		t.Fatalf("events %v, want %v first", types(c.Events), want)
	}
	if x := c.Tickets[0].Ticket; x.State != event.StateClosed || x.Outcome != event.Done || x.Note != "worn ball" || x.By != "jo" {
		t.Errorf("closed ticket: %+v", x)
	}
	for _, e := range c.Events[3:] {
		if e.Type != event.BaselineLearned && e.Type != event.RebuildJudged && e.Type != event.TicketUpdated {
			t.Errorf("%s at %v from a pump that is learned anew: the leak is part of what was found", e.Type, e.Time)
		}
	}
}

// TestRejectedStaysClosed: the same finding does not come back as long as its evidence stands.
func TestRejectedStaysClosed(t *testing.T) {
	s, id, at, rest := acted(t)
	if _, err := s.Act(id, watch.Act{Do: event.Close, By: "jo", Outcome: event.Rejected, Note: "debris"}, at); err != nil {
		t.Fatal(err)
	}
	c := rest()
	if got, want := types(c.Events), []event.Type{event.TicketClosed}; !slices.Equal(got, want) {
		t.Errorf("events %v, want %v", got, want)
	}
	if s.Status()[0].Monitor.Baseline == nil {
		t.Error("a rejected ticket has made the pump unlearn")
	}
}

// TestActsThatCannotBe say why.
func TestActsThatCannotBe(t *testing.T) {
	s, id, at, _ := acted(t)
	s.Take()
	if _, err := s.Act("P-101-no-such", watch.Act{Do: event.Acknowledge, By: "jo"}, at); !errors.Is(err, watch.ErrNotOpen) {
		t.Errorf("unknown ticket: %v", err)
	}
	for _, o := range []event.Outcome{event.Withdrawn, "", "perhaps"} {
		if _, err := s.Act(id, watch.Act{Do: event.Close, By: "jo", Outcome: o, Note: ""}, at); err == nil || !strings.Contains(err.Error(), "allowed are done, rejected") {
			t.Errorf("outcome %q: %v", o, err)
		}
	}
	if _, err := s.Act(id, watch.Act{Do: event.Close, By: "jo", Outcome: event.Rejected, Note: "debris"}, at); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Act(id, watch.Act{Do: event.Close, By: "jo", Outcome: event.Done, Note: ""}, at); !errors.Is(err, watch.ErrNotOpen) {
		t.Errorf("closing twice: %v", err)
	}
	if _, err := s.Act(id, watch.Act{Do: event.Acknowledge, By: "jo"}, at); !errors.Is(err, watch.ErrNotOpen) {
		t.Errorf("acknowledging what is closed: %v", err)
	}
	if out := s.Take(); len(out.Events) != 1 {
		t.Errorf("%d events of one act", len(out.Events))
	}
}
