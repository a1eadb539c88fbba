package store

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/detect/feature"
)

func TestReopenKeepsEverything(t *testing.T) {
	dir := t.TempDir()
	s := openAt(t, dir, Options{})
	receivers := []Receiver{{Name: "broker", Kinds: KindsOf(KindEvent, KindState, KindHeartbeat)}, {Name: "tsdb", Kinds: KindsOf(KindEpoch, KindEvent)}}
	if err := s.SetReceivers(t.Context(), receivers); err != nil {
		t.Fatal(err)
	}
	beat := event.Event{ID: "beat-1", Type: event.Heartbeat, Time: t0}
	commit(t, s, Batch{
		Epochs:     []Epoch{{"P-101", someEpoch(1)}, {"P-101", someEpoch(2)}, {"P-102", someEpoch(1)}},
		Events:     []event.Event{someEvent(1), someEvent(2), beat},
		Tickets:    []Ticket{someTicket(1)},
		Advisories: []Advisory{{Time: t0, Open: true, Advisory: event.Advisory{Advisory: "A-1", Pump: "P-101", Since: t0}}},
		Snapshots:  []Snapshot{{Pump: "P-101", Time: t0, Body: []byte("snap")}},
		States:     []State{{Pump: "P-101", Time: t0, JSON: []byte(`{"state":"running"}`)}},
	})
	type everything struct {
		Epochs       []feature.Epoch
		Tickets      []event.Ticket
		Ticket       event.Ticket
		Advisories   []event.Advisory
		Events       []event.Event
		At           time.Time
		Snap         string
		Broker, TSDB []Row
		Backlogs     []Backlog
	}
	read := func(s *Store) (e everything) {
		ctx := t.Context()
		e.Epochs = must(s.Epochs(ctx, "P-101", t0, t0.Add(time.Hour), 100))(t)
		e.Tickets = must(s.Tickets(ctx, TicketFilter{}))(t)
		e.Ticket = must(s.Ticket(ctx, "T-1"))(t)
		e.Advisories = must(s.OpenAdvisories(ctx))(t)
		e.Events = must(s.Events(ctx, "P-101", t0, t0.Add(time.Hour), 100))(t)
		at, snap, err := s.Snapshot(ctx, "P-101")
		e.At, e.Snap = must(at, err)(t), string(snap)
		e.Broker = must(s.Pending(ctx, "broker", 100))(t)
		e.TSDB = must(s.Pending(ctx, "tsdb", 100))(t)
		e.Backlogs = must(s.Backlogs(ctx))(t)
		return e
	}
	before := read(s)
	if len(before.Epochs) != 2 || len(before.Events) != 2 || len(before.Broker) != 4 || len(before.TSDB) != 5 || before.Snap != "snap" || len(before.Advisories) != 1 {
		t.Fatalf("read back: %+v", before)
	}
	if d := cmp.Diff([]feature.Epoch{someEpoch(1), someEpoch(2)}, before.Epochs); d != "" {
		t.Errorf("epochs (-written +read):\n%s", d)
	}
	if d := cmp.Diff(someTicket(1).Ticket, before.Ticket); d != "" {
		t.Errorf("ticket (-written +read):\n%s", d)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openAt(t, dir, Options{})
	if d := cmp.Diff(before, read(s)); d != "" {
		t.Errorf("after reopening (-before +after):\n%s", d)
	}
	if r := s.Recovery(); r != (Recovery{}) {
		t.Errorf("a clean restart recovered %+v", r)
	}
}

func TestNotFound(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	if _, err := s.Ticket(t.Context(), "none"); !errors.Is(err, ErrNotFound) {
		t.Errorf("ticket: %v", err)
	}
	if _, _, err := s.Snapshot(t.Context(), "none"); !errors.Is(err, ErrNotFound) {
		t.Errorf("snapshot: %v", err)
	}
	if _, err := s.Pending(t.Context(), "none", 1); !errors.Is(err, ErrNotFound) {
		t.Errorf("receiver: %v", err)
	}
}

func TestTicketKeepsItsIDAndChangesInPlace(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	tk := someTicket(1)
	commit(t, s, Batch{Tickets: []Ticket{tk, someTicket(2)}})
	tk.Ticket.State, tk.Ticket.By, tk.Time = event.StateAcknowledged, "mk", tk.Time.Add(time.Hour)
	commit(t, s, Batch{Tickets: []Ticket{tk}})
	tk.Ticket.State, tk.Ticket.Outcome = event.StateClosed, event.Done
	commit(t, s, Batch{Tickets: []Ticket{tk}})
	all := must(s.Tickets(t.Context(), TicketFilter{Closed: 10}))(t)
	if d := cmp.Diff([]event.Ticket{someTicket(2).Ticket, tk.Ticket}, all); d != "" {
		t.Errorf("tickets (-want +got):\n%s", d)
	}
	open := must(s.Tickets(t.Context(), TicketFilter{Pump: "P-101"}))(t)
	if len(open) != 1 || open[0].Ticket != "T-2" {
		t.Errorf("open tickets: %+v", open)
	}
	if none := must(s.Tickets(t.Context(), TicketFilter{Pump: "P-102", Closed: 5}))(t); len(none) != 0 {
		t.Errorf("tickets of another pump: %+v", none)
	}
}

func TestTwoAgentsCannotShareADirectory(t *testing.T) {
	dir := t.TempDir()
	s := openAt(t, dir, Options{})
	log, _ := logged()
	_, err := Open(t.Context(), dir, Options{Log: log})
	if !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), dir) {
		t.Fatalf("second open: %v", err)
	}
	t.Log(err)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	openAt(t, dir, Options{})
}

// The directory belongs to root and the file operations of one thread are done as nobody: permissions do
// not bind root itself.
func TestReadOnlyDirectory(t *testing.T) {
	dir := t.TempDir()
	for d, mode := range map[string]os.FileMode{dir: 0o555, filepath.Dir(dir): 0o755} {
		if err := os.Chmod(d, mode); err != nil {
			t.Fatal(err)
		}
	}
	log, _ := logged()
	failed := make(chan error)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		if os.Geteuid() == 0 {
			if _, _, errno := syscall.RawSyscall(syscall.SYS_SETFSUID, 65534, 0, 0); errno != 0 {
				t.Errorf("setfsuid: %v", errno)
			}
		}
		_, err := Open(t.Context(), dir, Options{Log: log})
		failed <- err
	}()
	err := <-failed
	if !errors.Is(err, os.ErrPermission) || !strings.Contains(err.Error(), dir) {
		t.Fatalf("open in a read-only directory: %v", err)
	}
	t.Log(err)
}

func TestDirectoryThatCannotBeMade(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	log, _ := logged()
	_, err := Open(t.Context(), filepath.Join(file, "state"), Options{Log: log})
	if err == nil || !strings.Contains(err.Error(), "state_dir") {
		t.Errorf("error %v does not say what to do", err)
	}
}

func TestStrangeDirectoryNames(t *testing.T) {
	for _, name := range []string{"a b", "50%25", "q?x=1", "h#1", "ü", "[a]"} {
		dir := filepath.Join(t.TempDir(), name)
		s := openAt(t, dir, Options{})
		commit(t, s, Batch{Tickets: []Ticket{someTicket(1)}})
		if _, err := os.Stat(filepath.Join(dir, dbName)); err != nil {
			t.Errorf("%q: %v", name, err)
		}
	}
}

func TestInvalidRowsAreRefusedWhole(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	if err := s.SetReceivers(t.Context(), []Receiver{{"b", KindsOf(KindState, KindEvent)}}); err != nil {
		t.Fatal(err)
	}
	f := func(name string, b Batch) {
		t.Helper()
		b.Tickets = append(b.Tickets, someTicket(9))
		err := s.Commit(t.Context(), b)
		if !errors.Is(err, ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := s.Ticket(t.Context(), "T-9"); !errors.Is(err, ErrNotFound) {
			t.Errorf("%s: part of a refused batch was stored", name)
		}
	}
	f("epoch without pump", Batch{Epochs: []Epoch{{"", someEpoch(1)}}})
	f("epoch without time", Batch{Epochs: []Epoch{{"P-101", feature.Epoch{}}}})
	f("event without id", Batch{Events: []event.Event{{Time: t0}}})
	f("event without time", Batch{Events: []event.Event{{ID: "x"}}})
	f("event with bad data", Batch{Events: []event.Event{{ID: "x", Time: t0, Data: []byte("{")}}})
	f("ticket without id", Batch{Tickets: []Ticket{{Time: t0, Ticket: event.Ticket{Pump: "P-101"}}}})
	f("advisory without id", Batch{Advisories: []Advisory{{Time: t0}}})
	f("snapshot without pump", Batch{Snapshots: []Snapshot{{Time: t0}}})
	f("state that is no JSON", Batch{States: []State{{Pump: "P-101", Time: t0, JSON: []byte("{")}}})
}

func TestEpochsAreThinnedToRealOnes(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	var b Batch
	for n := range 5000 {
		e := someEpoch(n)
		if n%10 == 0 {
			e.State = feature.Off
		}
		b.Epochs = append(b.Epochs, Epoch{"P-101", e})
	}
	commit(t, s, b)
	ctx := t.Context()
	all := must(s.Epochs(ctx, "P-101", time.Time{}, t0.AddDate(100, 0, 0), 5000))(t)
	if len(all) != 5000 {
		t.Fatalf("%d epochs", len(all))
	}
	thin := must(s.Epochs(ctx, "P-101", time.Time{}, t0.AddDate(100, 0, 0), 250))(t)
	if len(thin) != 250 {
		t.Fatalf("%d epochs where 250 were asked for", len(thin))
	}
	for i, e := range thin {
		n := int(e.Start.Sub(t0) / time.Minute)
		if e.State != feature.Running || n < i*20 || n >= (i+1)*20 || !cmp.Equal(e, someEpoch(n)) {
			t.Errorf("point %d is epoch %d, state %s", i, n, e.State)
		}
	}
	walked := 0
	err := s.Walk(ctx, "P-101", t0.Add(10*time.Minute), t0.Add(4010*time.Minute), func(e feature.Epoch) error {
		if want := t0.Add(time.Duration(10+walked) * time.Minute); !e.Start.Equal(want) {
			t.Fatalf("walk: epoch %s, want %s", e.Start, want)
		}
		walked++
		return nil
	})
	if err != nil || walked != 4000 {
		t.Errorf("walked over %d epochs, error %v", walked, err)
	}
	stop := errors.New("stop")
	if err := s.Walk(ctx, "P-101", t0, t0.AddDate(1, 0, 0), func(feature.Epoch) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("walk went on: %v", err)
	}
	if _, err := s.Epochs(ctx, "P-101", t0, t0.Add(-1), 1); !errors.Is(err, ErrInvalid) {
		t.Errorf("turned interval: %v", err)
	}
	if _, err := s.Epochs(ctx, "P-101", t0, t0, 0); !errors.Is(err, ErrInvalid) {
		t.Errorf("no points: %v", err)
	}
}

func TestRetention(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{Retention: 24 * time.Hour})
	if err := s.SetReceivers(t.Context(), []Receiver{{"tsdb", KindsOf(KindEpoch, KindEvent)}}); err != nil {
		t.Fatal(err)
	}
	var b Batch
	for n := range 3 * 24 * 60 {
		b.Epochs = append(b.Epochs, Epoch{"P-101", someEpoch(n)})
	}
	for n := 0; n < 3*24*60; n += 60 {
		b.Events = append(b.Events, someEvent(n))
	}
	b.Epochs = append(b.Epochs, Epoch{"P-102", someEpoch(0)}) // silent since: its history stays
	b.Tickets = []Ticket{someTicket(0)}                       // tickets are not forgotten
	commit(t, s, b)
	count := func(pump string) int {
		return len(must(s.Epochs(t.Context(), pump, time.Time{}, t0.AddDate(1, 0, 0), 1e6))(t))
	}
	// A clock that stands at 1970 forgets nothing.
	if err := s.Maintain(t.Context(), time.Unix(0, 0)); err != nil {
		t.Fatal(err)
	}
	if n := count("P-101"); n != 3*24*60 {
		t.Fatalf("a clock at 1970 left %d epochs", n)
	}
	// A clock a century ahead forgets no more than the data's own age allows.
	if err := s.Maintain(t.Context(), t0.AddDate(100, 0, 0)); err != nil {
		t.Fatal(err)
	}
	if n := count("P-101"); n != 24*60+1 {
		t.Errorf("%d epochs left of P-101", n)
	}
	if n := count("P-102"); n != 1 {
		t.Errorf("%d epochs left of P-102", n)
	}
	if n := len(must(s.Events(t.Context(), "P-101", time.Time{}, t0.AddDate(1, 0, 0), 1e6))(t)); n != 25 {
		t.Errorf("%d events left", n)
	}
	if n := len(must(s.Tickets(t.Context(), TicketFilter{}))(t)); n != 1 {
		t.Errorf("%d tickets left", n)
	}
	want := []Dropped{{"tsdb", KindEpoch, DroppedExpired, 2*24*60 - 1}, {"tsdb", KindEvent, DroppedExpired, 72 - 25}}
	if d := cmp.Diff(want, must(s.Dropped(t.Context()))(t)); d != "" {
		t.Errorf("dropped (-want +got):\n%s", d)
	}
	checkOutboxBytes(t, s)
	// All that is left can still be sent.
	if rows := must(s.Pending(t.Context(), "tsdb", 1e6))(t); len(rows) != 24*60+1+1+25 {
		t.Errorf("%d rows wait", len(rows))
	}
}
