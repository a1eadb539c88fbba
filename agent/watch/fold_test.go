package watch_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/agent/event"
	"diastole/agent/watch"
	"diastole/detect/feature"
)

// TestWearIsTold: the recording brings what its truth asks for, so that the tests below compare something.
func TestWearIsTold(t *testing.T) {
	c := reference(t, wearMessages(t))
	got := types(c.Events)
	if len(got) < 3 || !slices.Equal(got[:2], []event.Type{event.BaselineLearned, event.TicketOpened}) {
		t.Fatalf("events %v, want the baseline, a ticket, and its changes", got)
	}
	first, last := c.Tickets[0].Ticket, c.Tickets[len(c.Tickets)-1].Ticket
	if first.Kit != "wet-end" || first.Fault != "check-valve-leak" || last.Ticket != first.Ticket || last.State != event.StateOpen {
		t.Errorf("first %+v\nlast %+v; want one open ticket for the wet end", first, last)
	}
	if len(c.Epochs) < 55 {
		t.Errorf("%d epochs of 60 bursts", len(c.Epochs))
	}
}

// TestEventIDsAreUnique, within a run; that they are the same in every run is part of the tests below.
func TestEventIDsAreUnique(t *testing.T) {
	seen := map[string]event.Type{}
	for _, e := range reference(t, wearMessages(t)).Events {
		if other, twice := seen[e.ID]; twice {
			t.Errorf("%s and %s have the id %s", other, e.Type, e.ID)
		}
		seen[e.ID] = e.Type
	}
}

// TestTicksChangeNothing: the live agent ticks each second, a replay never; any ticks between messages give the same.
func TestTicksChangeNothing(t *testing.T) {
	messages := wearMessages(t)
	want := reference(t, messages)
	rapid.Check(t, func(t *rapid.T) {
		// tick[i] is where, between message i and the next, ticks come: in parts of the time between them.
		ticks := rapid.MapOfN(rapid.IntRange(0, len(messages)-2), rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 3), 0, 400).Draw(t, "ticks")
		s := wearSite(t)
		var c collected
		for i, m := range messages {
			s.Message(m)
			if rapid.Bool().Draw(t, "take") {
				c.take(s)
			}
			slices.Sort(ticks[i])
			for _, part := range ticks[i] {
				s.Tick(m.Arrival.Add(time.Duration(part * float64(messages[i+1].Arrival.Sub(m.Arrival)))))
			}
		}
		c.finish(s, messages)
		if d := cmp.Diff(want.Output, c.Output, exactly); d != "" {
			t.Fatalf("(-without +with ticks):\n%s", d)
		}
	})
}

// TestEverySecondATick is the live agent's way, for a part of the recording.
func TestEverySecondATick(t *testing.T) {
	messages := wearMessages(t)[:120]
	want := reference(t, messages)
	s := wearSite(t)
	var c collected
	for i, m := range messages {
		s.Message(m)
		if i+1 == len(messages) {
			break
		}
		for at := m.Arrival.Add(time.Second); at.Before(messages[i+1].Arrival); at = at.Add(time.Second) {
			s.Tick(at)
		}
	}
	c.finish(s, messages)
	if d := cmp.Diff(want.Output, c.Output, exactly); d != "" {
		t.Errorf("(-without +with ticks):\n%s", d)
	}
}

// TestRestoreGoesOn: a snapshot at any message, restored into a fresh site, gives what an unbroken run gives.
func TestRestoreGoesOn(t *testing.T) {
	messages := wearMessages(t)
	want := reference(t, messages)
	rapid.Check(t, func(t *rapid.T) {
		cuts := rapid.SliceOfNDistinct(rapid.IntRange(0, len(messages)), 1, 3, rapid.ID[int]).Draw(t, "cuts")
		slices.Sort(cuts)
		s := wearSite(t)
		var c collected
		from := 0
		for _, cut := range cuts {
			c.feed(s, messages[from:cut])
			from = cut
			_, data, err := s.Snapshot(pumpID)
			if err != nil {
				t.Fatal(err)
			}
			s = wearSite(t)
			if err := s.Restore(pumpID, data, nil, watch.Known{}); err != nil {
				t.Fatal(err)
			}
		}
		c.feed(s, messages[from:])
		c.finish(s, messages)
		if d := cmp.Diff(want.Output, c.Output, exactly); d != "" {
			t.Fatalf("(-unbroken +restored):\n%s", d)
		}
	})
}

// TestRefoldGivesTheSameIDs: the epochs alone, folded again, give the same tickets and events.
func TestRefoldGivesTheSameIDs(t *testing.T) {
	want := reference(t, wearMessages(t))
	s := wearSite(t)
	if err := s.Restore(pumpID, nil, want.epochs(), watch.Known{}); err != nil {
		t.Fatal(err)
	}
	var c collected
	c.take(s)
	if d := cmp.Diff(want.Output, c.Output, exactly); d != "" {
		t.Errorf("(-first +folded again):\n%s", d)
	}
}

// TestSnapshotAndEpochsSince is what comes after a crash: the last snapshot, and the epochs that were stored since.
func TestSnapshotAndEpochsSince(t *testing.T) {
	messages := wearMessages(t)
	want := reference(t, messages)
	s := wearSite(t)
	var before collected
	before.feed(s, messages[:len(messages)/2])
	at, data, err := s.Snapshot(pumpID)
	if err != nil {
		t.Fatal(err)
	}
	epochs := want.epochs()
	i := slices.IndexFunc(epochs, func(e feature.Epoch) bool { return !e.Start.Before(at) })
	if i != len(before.Epochs) {
		t.Fatalf("the snapshot is of %v; %d epochs were finished, %d start before it", at, len(before.Epochs), i)
	}
	s = wearSite(t)
	if err := s.Restore(pumpID, data, epochs[i:], watch.Known{}); err != nil {
		t.Fatal(err)
	}
	before.take(s)
	if d := cmp.Diff(want.Output, before.Output, exactly); d != "" {
		t.Errorf("(-unbroken +after the crash):\n%s", d)
	}
}

// TestSnapshotsThatCannotBeUsed are errors that say so.
func TestSnapshotsThatCannotBeUsed(t *testing.T) {
	s := wearSite(t)
	if err := s.Restore(pumpID, []byte("no snapshot"), nil, watch.Known{}); err == nil {
		t.Error("rubbish was taken for a snapshot")
	}
	if err := s.Restore("P-999", nil, nil, watch.Known{}); err == nil {
		t.Error("a pump that is not configured was restored")
	}
	if _, _, err := s.Snapshot("P-999"); err == nil {
		t.Error("a pump that is not configured was stored")
	}
	var c collected
	c.feed(s, wearMessages(t)) // and the site works on
	if !slices.Contains(types(c.Events), event.TicketOpened) {
		t.Errorf("after a bad snapshot: %v", types(c.Events))
	}
}
