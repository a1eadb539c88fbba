package store

import (
	"context"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"diastole/agent/event"
)

// checkOutboxBytes holds the running total against the sum over the table.
func checkOutboxBytes(t interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}, s *Store) {
	t.Helper()
	var n int64
	if err := s.db.read.QueryRow("SELECT coalesce(sum(bytes), 0) FROM outbox").Scan(&n); err != nil {
		t.Fatal(err)
	}
	if n != s.outboxBytes {
		t.Errorf("the outbox weighs %d bytes, the running total says %d", n, s.outboxBytes)
	}
}

// fewerChecks sets the number of rapid's cases for this test, where each case opens files.
func fewerChecks(t *testing.T, n string) {
	checks := flag.Lookup("rapid.checks")
	before := checks.Value.String()
	t.Cleanup(func() { _ = checks.Value.Set(before) })
	if err := checks.Value.Set(n); err != nil {
		t.Fatal(err)
	}
}

// noSync spares thousands of waits for the disk where a test is about something else.
func noSync(t interface{ Fatal(...any) }, s *Store) {
	if _, err := s.db.write.Exec("PRAGMA synchronous = OFF"); err != nil {
		t.Fatal(err)
	}
}

func ids(rows []Row) (all []string) {
	for _, r := range rows {
		switch r.Kind {
		case KindEpoch:
			all = append(all, fmt.Sprintf("epoch %s %d", r.Pump, int(r.Time.Sub(t0)/time.Minute)))
		case KindState:
			all = append(all, fmt.Sprintf("state %s %s", r.Pump, r.JSON))
		default:
			all = append(all, r.ID)
		}
	}
	return all
}

func TestOutboxOrderAndCursors(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	ctx := t.Context()
	if err := s.SetReceivers(ctx, []Receiver{{"a", KindsOf(KindEvent)}, {"b", KindsOf(KindEvent, KindEpoch)}}); err != nil {
		t.Fatal(err)
	}
	commit(t, s, Batch{Events: []event.Event{someEvent(1)}, Epochs: []Epoch{{"P-101", someEpoch(1)}}})
	commit(t, s, Batch{Events: []event.Event{someEvent(2)}, Epochs: []Epoch{{"P-101", someEpoch(2)}}})
	// The same again: nothing new to send.
	commit(t, s, Batch{Events: []event.Event{someEvent(2)}, Epochs: []Epoch{{"P-101", someEpoch(2)}}})
	a := must(s.Pending(ctx, "a", 10))(t)
	if d := cmp.Diff([]string{someEvent(1).ID, someEvent(2).ID}, ids(a)); d != "" {
		t.Errorf("a (-want +got):\n%s", d)
	}
	b := must(s.Pending(ctx, "b", 3))(t)
	want := []string{"epoch P-101 1", someEvent(1).ID, "epoch P-101 2"}
	if d := cmp.Diff(want, ids(b)); d != "" {
		t.Errorf("b (-want +got):\n%s", d)
	}
	if d := cmp.Diff(someEpoch(1), b[0].Epoch); d != "" {
		t.Errorf("epoch (-want +got):\n%s", d)
	}
	if err := s.Delivered(ctx, "b", b[1].Seq); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{"epoch P-101 2", someEvent(2).ID}, ids(must(s.Pending(ctx, "b", 10))(t))); d != "" {
		t.Errorf("b, after delivery (-want +got):\n%s", d)
	}
	if got := must(s.Pending(ctx, "a", 10))(t); len(got) != 2 {
		t.Errorf("what b confirmed was taken from a: %v", ids(got))
	}
	// A late confirmation of an older row does not turn the cursor back.
	if err := s.Delivered(ctx, "b", b[0].Seq); err != nil {
		t.Fatal(err)
	}
	if err := s.Delivered(ctx, "a", a[1].Seq); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{"epoch P-101 2", someEvent(2).ID}, ids(must(s.Pending(ctx, "b", 10))(t))); d != "" {
		t.Errorf("b, at the end (-want +got):\n%s", d)
	}
	checkOutboxBytes(t, s)
}

func TestNewestStateAndHeartbeatOnly(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	ctx := t.Context()
	if err := s.SetReceivers(ctx, []Receiver{{"a", KindsOf(KindState, KindHeartbeat)}}); err != nil {
		t.Fatal(err)
	}
	for n := range 3 {
		beat := event.Event{ID: fmt.Sprintf("beat-%d", n), Type: event.Heartbeat, Time: t0.Add(time.Duration(n) * time.Minute)}
		state := func(p string) State { return State{p, t0, fmt.Appendf(nil, `{"n":%d}`, n)} }
		commit(t, s, Batch{Events: []event.Event{beat}, States: []State{state("P-101"), state("P-102")}})
	}
	want := []string{"beat-2", `state P-101 {"n":2}`, `state P-102 {"n":2}`}
	if d := cmp.Diff(want, ids(must(s.Pending(ctx, "a", 10))(t))); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	checkOutboxBytes(t, s)
}

func TestReceiversComeAndGo(t *testing.T) {
	dir := t.TempDir()
	log, text := logged()
	s := openAt(t, dir, Options{Log: log})
	ctx := t.Context()
	old := []Receiver{{"a", KindsOf(KindEvent)}, {"b", KindsOf(KindEvent)}}
	if err := s.SetReceivers(ctx, old); err != nil {
		t.Fatal(err)
	}
	commit(t, s, Batch{Events: []event.Event{someEvent(1), someEvent(2)}})
	if err := s.SetReceivers(ctx, []Receiver{{"b", KindsOf(KindEvent)}, {"c", KindsOf(KindEvent)}}); err != nil {
		t.Fatal(err)
	}
	commit(t, s, Batch{Events: []event.Event{someEvent(3)}})
	if got := ids(must(s.Pending(ctx, "b", 10))(t)); len(got) != 3 {
		t.Errorf("b waits for %v", got)
	}
	if d := cmp.Diff([]string{someEvent(3).ID}, ids(must(s.Pending(ctx, "c", 10))(t))); d != "" {
		t.Errorf("c, which is new (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]Dropped{{"a", KindEvent, DroppedReceiverRemoved, 2}}, must(s.Dropped(ctx))(t)); d != "" {
		t.Errorf("dropped (-want +got):\n%s", d)
	}
	if !strings.Contains(text.String(), "level=ERROR") {
		t.Error("that events were given up was not told")
	}
	if err := s.SetReceivers(ctx, []Receiver{{"b", 0}, {"b", 0}}); err == nil {
		t.Error("two receivers of one name were taken")
	}
	// All confirmed, then emptied: the numbers go on, or c's cursor would skip what comes next.
	if err := s.SetReceivers(ctx, []Receiver{{"c", KindsOf(KindEvent)}}); err != nil {
		t.Fatal(err)
	}
	last := must(s.Pending(ctx, "c", 10))(t)
	if err := s.Delivered(ctx, "c", last[0].Seq); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openAt(t, dir, Options{Log: log})
	commit(t, s, Batch{Events: []event.Event{someEvent(4)}})
	if d := cmp.Diff([]string{someEvent(4).ID}, ids(must(s.Pending(ctx, "c", 10))(t))); d != "" {
		t.Errorf("c, after the outbox was empty (-want +got):\n%s", d)
	}
}

func TestOutboxShedsEpochsBeforeEvents(t *testing.T) {
	const bound = 20_000
	log, text := logged()
	s := openAt(t, t.TempDir(), Options{OutboxBytes: bound, Log: log})
	ctx := t.Context()
	if err := s.SetReceivers(ctx, []Receiver{{"hook", KindsOf(KindEvent)}, {"tsdb", KindsOf(KindEpoch, KindEvent)}}); err != nil {
		t.Fatal(err)
	}
	// One event to nine epochs: the epochs go, every event stays.
	n, events := 0, 0
	for ; n < 500; n++ {
		b := Batch{Epochs: []Epoch{{"P-101", someEpoch(n)}}}
		if n%10 == 0 {
			b.Events = append(b.Events, someEvent(n))
			events++
		}
		commit(t, s, b)
		if s.outboxBytes > bound {
			t.Fatalf("outbox of %d bytes", s.outboxBytes)
		}
	}
	checkOutboxBytes(t, s)
	hook, tsdb := must(s.Pending(ctx, "hook", 1e4))(t), must(s.Pending(ctx, "tsdb", 1e4))(t)
	if len(hook) != events {
		t.Errorf("%d of %d events wait", len(hook), events)
	}
	dropped := must(s.Dropped(ctx))(t)
	if len(dropped) != 1 || dropped[0].Receiver != "tsdb" || dropped[0].Kind != KindEpoch || dropped[0].Rows+int64(len(tsdb)) != int64(n+events) {
		t.Errorf("%d rows wait of %d, dropped %+v", len(tsdb), n+events, dropped)
	}
	if strings.Contains(text.String(), "level=ERROR") || !strings.Contains(text.String(), "level=WARN") {
		t.Error("shed epochs are to be told as a warning, and no event was shed")
	}
	// Events alone are too many: the oldest go, counted and told as an error for both.
	for ; events < 300; events++ {
		commit(t, s, Batch{Events: []event.Event{someEvent(10_000 + events)}})
	}
	checkOutboxBytes(t, s)
	hook = must(s.Pending(ctx, "hook", 1e4))(t)
	var lost int64
	for _, d := range must(s.Dropped(ctx))(t) {
		if d.Receiver == "hook" && d.Kind == KindEvent && d.Reason == DroppedOutboxFull {
			lost = d.Rows
		}
	}
	if lost == 0 || lost+int64(len(hook)) != int64(events) {
		t.Errorf("%d events wait and %d were dropped of %d", len(hook), lost, events)
	}
	if hook[len(hook)-1].ID != someEvent(10_000+events-1).ID {
		t.Error("the newest event went before older ones")
	}
	if !strings.Contains(text.String(), "level=ERROR") {
		t.Error("events were shed in silence")
	}
	if n := len(must(s.Events(ctx, "P-101", time.Time{}, t0.AddDate(1, 0, 0), 1e4))(t)); n != events {
		t.Errorf("the history holds %d of %d events", n, events)
	}
}

func TestSetAside(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	ctx := t.Context()
	if err := s.SetReceivers(ctx, []Receiver{{"tsdb", KindsOf(KindEpoch, KindEvent)}}); err != nil {
		t.Fatal(err)
	}
	commit(t, s, Batch{Epochs: []Epoch{{"P-101", someEpoch(1)}}, Events: []event.Event{someEvent(1), someEvent(2)}})
	for range 2 {
		rows := must(s.Pending(ctx, "tsdb", 10))(t)
		if err := s.SetAside(ctx, "tsdb", rows[0], "no room for it"); err != nil {
			t.Fatal(err)
		}
	}
	if d := cmp.Diff([]string{someEvent(2).ID}, ids(must(s.Pending(ctx, "tsdb", 10))(t))); d != "" {
		t.Errorf("pending (-want +got):\n%s", d)
	}
	aside := must(s.SetAsideRows(ctx, "tsdb", 10))(t)
	if len(aside) != 2 || aside[0].Row.ID != someEvent(1).ID || aside[1].Row.Kind != KindEpoch || aside[1].Reason != "no room for it" ||
		!strings.Contains(string(aside[1].Row.JSON), `"strokes"`) {
		t.Errorf("set aside: %+v", aside)
	}
	// The list is bounded.
	_, err := s.db.write.Exec(`WITH RECURSIVE n(seq) AS (SELECT 100 UNION ALL SELECT seq + 1 FROM n LIMIT ?)
		INSERT INTO aside SELECT 'tsdb', seq, 1, '', 0, '', 'x', '' FROM n`, asideKept)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.SetAside(ctx, "tsdb", Row{Seq: 1e6, Kind: KindEvent, Time: t0}, "x"); err != nil {
		t.Fatal(err)
	}
	if n := len(must(s.SetAsideRows(ctx, "tsdb", 1e6))(t)); n != asideKept {
		t.Errorf("%d rows are kept aside", n)
	}
}

// TestOutboxModel holds the outbox against a plain model of it under random operations and restarts.
func TestOutboxModel(t *testing.T) {
	fewerChecks(t, "6")
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "outbox")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		log, _ := logged()
		s, err := Open(context.Background(), dir, Options{Log: log})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = s.Close() }()
		noSync(t, s)
		ctx := context.Background()
		kinds := map[string]Kinds{"a": KindsOf(KindEvent), "b": KindsOf(KindEpoch, KindEvent)}
		if err := s.SetReceivers(ctx, []Receiver{{"a", kinds["a"]}, {"b", kinds["b"]}}); err != nil {
			t.Fatal(err)
		}
		waiting := map[string][]string{}
		n := 0
		name := rapid.SampledFrom([]string{"a", "b"})
		t.Repeat(map[string]func(*rapid.T){
			"commit": func(t *rapid.T) {
				var b Batch
				for range rapid.IntRange(0, 3).Draw(t, "epochs") {
					n++
					b.Epochs = append(b.Epochs, Epoch{"P-101", someEpoch(n)})
					waiting["b"] = append(waiting["b"], fmt.Sprintf("epoch P-101 %d", n))
				}
				for range rapid.IntRange(0, 3).Draw(t, "events") {
					n++
					b.Events = append(b.Events, someEvent(n))
					waiting["a"] = append(waiting["a"], someEvent(n).ID)
					waiting["b"] = append(waiting["b"], someEvent(n).ID)
				}
				if err := s.Commit(ctx, b); err != nil {
					t.Fatal(err)
				}
			},
			"deliver": func(t *rapid.T) {
				r := name.Draw(t, "receiver")
				rows, err := s.Pending(ctx, r, rapid.IntRange(1, 4).Draw(t, "limit"))
				if err != nil {
					t.Fatal(err)
				}
				if len(rows) == 0 {
					return
				}
				done := rapid.IntRange(1, len(rows)).Draw(t, "done")
				if err := s.Delivered(ctx, r, rows[done-1].Seq); err != nil {
					t.Fatal(err)
				}
				waiting[r] = waiting[r][done:]
			},
			"reopen": func(t *rapid.T) {
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				if s, err = Open(ctx, dir, Options{Log: log}); err != nil {
					t.Fatal(err)
				}
				noSync(t, s)
			},
			"": func(t *rapid.T) {
				for _, r := range []string{"a", "b"} {
					rows, err := s.Pending(ctx, r, 1e6)
					if err != nil {
						t.Fatal(err)
					}
					if d := cmp.Diff(waiting[r], ids(rows), cmpopts.EquateEmpty()); d != "" {
						t.Fatalf("%s (-model +store):\n%s", r, d)
					}
				}
				checkOutboxBytes(t, s)
			},
		})
	})
}
