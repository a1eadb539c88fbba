package store

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/model/pump"
)

func someWork() Batch {
	strokes, zero := 4.2e6, 0.0
	yes := true
	return Batch{
		Tickets: []Ticket{someTicket(1)},
		Rebuilds: []event.Rebuild{{
			Rebuild: "R-1", Pump: "P-101", Serial: "0007", Model: "generic-one-inch", Time: t0, By: "jo", Kits: []pump.Kit{pump.WetEnd},
			Parts: []event.Part{{Component: pump.Balls, Strokes: &strokes, Replaced: true, Found: pump.Worn}},
			Asked: event.Asked{Restarts: &yes}, Judgement: event.Accepting,
		}},
		Bodies: []event.Body{
			{Body: "0007", Serial: "0007", Pump: "P-101", Since: t0, Strokes: 4.2e6, Rebuilt: &zero, Fitted: map[pump.Component]float64{pump.Balls: 4.2e6}, Best: []byte{1, 2}},
			{Body: "0008", Serial: "0008", Since: t0},
		},
	}
}

func checkWork(t *testing.T, s *Store) {
	t.Helper()
	want := someWork()
	if d := cmp.Diff(want.Rebuilds, must(s.Rebuilds(t.Context(), ""))(t)); d != "" {
		t.Errorf("rebuilds (-want +got):\n%s", d)
	}
	if d := cmp.Diff(want.Bodies, must(s.Bodies(t.Context()))(t)); d != "" {
		t.Errorf("bodies (-want +got):\n%s", d)
	}
	if got := must(s.Rebuilds(t.Context(), "P-102"))(t); len(got) != 0 {
		t.Errorf("rebuilds of another pump: %+v", got)
	}
}

// TestWorkOutlivesTheDatabase: what was done to the pumps is in the copy beside the database too.
func TestWorkOutlivesTheDatabase(t *testing.T) {
	dir := t.TempDir()
	s := openAt(t, dir, Options{})
	commit(t, s, someWork())
	checkWork(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openAt(t, dir, Options{})
	checkWork(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, dbName), []byte("this is no database, but it is long enough to be looked at"), 0o600); err != nil {
		t.Fatal(err)
	}
	log, _ := logged()
	s = openAt(t, dir, Options{Log: log})
	checkWork(t, s)
}

// TestFormatOneIsBroughtUp: a file of before there were rebuilds keeps all and takes them.
func TestFormatOneIsBroughtUp(t *testing.T) {
	dir := t.TempDir()
	s := openAt(t, dir, Options{})
	commit(t, s, Batch{Tickets: []Ticket{someTicket(1)}, Epochs: []Epoch{{"P-101", someEpoch(1)}}})
	for _, statement := range []string{"DROP TABLE rebuild", "DROP TABLE body", "UPDATE meta SET version = 1", "PRAGMA user_version = 1"} {
		if _, err := s.db.write.Exec(statement); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openAt(t, dir, Options{})
	if got := must(s.Tickets(t.Context(), TicketFilter{}))(t); len(got) != 1 {
		t.Errorf("%d tickets", len(got))
	}
	if got := must(s.Epochs(t.Context(), "P-101", t0, t0.Add(time.Hour), 10))(t); len(got) != 1 {
		t.Errorf("%d epochs", len(got))
	}
	commit(t, s, someWork())
	checkWork(t, s)
}

func TestWorkThatIsNone(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	for _, b := range []Batch{
		{Rebuilds: []event.Rebuild{{Pump: "P-101", Time: t0}}}, {Rebuilds: []event.Rebuild{{Rebuild: "R", Time: t0}}}, {Bodies: []event.Body{{}}},
	} {
		if err := s.Commit(t.Context(), b); !errors.Is(err, ErrInvalid) {
			t.Errorf("%+v: %v", b, err)
		}
	}
}
