package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/detect/feature"
)

// crashDirEnv makes the test binary commit batch after batch in that directory until it is killed.
const crashDirEnv = "DIASTOLE_TEST_CRASH_DIR"

// numbered is the n-th batch: an epoch, an event and the one ticket, all of which tell n.
func numbered(n int) Batch {
	tk := someTicket(1)
	tk.Ticket.Severity = float64(n)
	tk.Time = t0.Add(time.Duration(n) * time.Minute)
	return Batch{
		Epochs:  []Epoch{{"P-101", someEpoch(n)}, {"P-102", someEpoch(n)}},
		Events:  []event.Event{someEvent(n)},
		Tickets: []Ticket{tk},
	}
}

// crashChild goes on from where the directory stands, and prints each number whose commit returned.
func crashChild(dir string) {
	ctx := context.Background()
	s, err := Open(ctx, dir, Options{Log: slog.New(slog.NewTextHandler(os.Stderr, nil))})
	if err == nil {
		err = s.SetReceivers(ctx, []Receiver{{"b", KindsOf(KindEpoch, KindEvent)}})
	}
	n := 0
	if err == nil {
		var old event.Ticket
		old, err = s.Ticket(ctx, "T-1")
		n = int(old.Severity)
		if errors.Is(err, ErrNotFound) {
			err = nil
		}
	}
	for err == nil {
		n++
		if err = s.Commit(ctx, numbered(n)); err == nil {
			fmt.Println(n)
		}
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// checkPrefix finds out up to which n the store holds batches, and that it holds each of them whole.
func checkPrefix(t *testing.T, s *Store) int {
	t.Helper()
	ctx := t.Context()
	tk, err := s.Ticket(ctx, "T-1")
	if errors.Is(err, ErrNotFound) {
		tk.Severity, err = 0, nil
	}
	if err != nil {
		t.Fatal(err)
	}
	n := int(tk.Severity)
	var want []feature.Epoch
	var wantIDs []string
	for i := 1; i <= n; i++ {
		want = append(want, someEpoch(i))
		wantIDs = append(wantIDs, someEvent(i).ID)
	}
	for _, p := range []string{"P-101", "P-102"} {
		if d := cmp.Diff(want, must(s.Epochs(ctx, p, time.Time{}, t0.AddDate(1, 0, 0), 1e6))(t)); d != "" {
			t.Fatalf("%s is no prefix up to %d (-want +got):\n%s", p, n, d)
		}
	}
	var gotIDs []string
	for _, e := range must(s.Events(ctx, "P-101", time.Time{}, t0.AddDate(1, 0, 0), 1e6))(t) {
		gotIDs = append(gotIDs, e.ID)
	}
	if d := cmp.Diff(wantIDs, gotIDs); d != "" {
		t.Fatalf("events are no prefix up to %d (-want +got):\n%s", n, d)
	}
	return n
}

func TestKilledInMidCommit(t *testing.T) {
	exe := must(os.Executable())(t)
	dir := t.TempDir()
	for round := range 4 {
		child := exec.CommandContext(t.Context(), exe)
		child.Env = append(os.Environ(), crashDirEnv+"="+dir)
		child.Stderr = t.Output()
		out := must(child.StdoutPipe())(t)
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		acked, lines := 0, bufio.NewScanner(out)
		// What is read after the kill was acknowledged before it.
		for i := 0; lines.Scan(); i++ {
			acked = must(strconv.Atoi(lines.Text()))(t)
			if i == 5+7*round {
				if err := child.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := child.Wait(); err == nil || child.ProcessState.ExitCode() != -1 {
			t.Fatalf("the child was not killed: %v", err)
		}
		s := openAt(t, dir, Options{})
		n := checkPrefix(t, s)
		if n < acked || n > acked+1 {
			t.Errorf("round %d: %d batches were acknowledged, %d are there", round, acked, n)
		}
		if r := s.Recovery(); r != (Recovery{}) {
			t.Errorf("round %d: %+v", round, r)
		}
		// Every event and epoch of every round waits: nobody confirmed any.
		if rows := must(s.Pending(t.Context(), "b", 1e6))(t); len(rows) != 3*n {
			t.Errorf("round %d: %d rows wait after %d batches", round, len(rows), n)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A journal that a power cut left short gives a prefix: each length of it is tried at some hundred places.
func TestJournalCutAnywhereGivesAPrefix(t *testing.T) {
	src := t.TempDir()
	s := openAt(t, src, Options{})
	const batches = 20
	for n := 1; n <= batches; n++ {
		commit(t, s, numbered(n))
	}
	db, wal := must(os.ReadFile(filepath.Join(src, dbName)))(t), must(os.ReadFile(filepath.Join(src, dbName+"-wal")))(t)
	r := rand.New(rand.NewPCG(3, 3))
	seen := map[int]bool{}
	for range 25 {
		dir := t.TempDir()
		write(t, filepath.Join(dir, dbName), db)
		write(t, filepath.Join(dir, dbName+"-wal"), wal[:r.IntN(len(wal)+1)])
		s := openAt(t, dir, Options{})
		seen[checkPrefix(t, s)] = true
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if len(seen) < batches/2 {
		t.Errorf("the cuts gave only %d different prefixes", len(seen))
	}
}

func write(t *testing.T, path string, content []byte) {
	t.Helper()
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
}

// damagedFixture is a closed state directory with twenty batches.
func damagedFixture(t *testing.T) (db, ledger []byte) {
	dir := t.TempDir()
	s := openAt(t, dir, Options{})
	for n := 1; n <= 20; n++ {
		commit(t, s, numbered(n))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return must(os.ReadFile(filepath.Join(dir, dbName)))(t), must(os.ReadFile(filepath.Join(dir, ledgerName)))(t)
}

// checkNothingWrong takes whatever can be read and holds it against what was written: missing is
// allowed after damage, wrong is not. It then commits, which must work.
func checkNothingWrong(t *testing.T, dir, what string) *Store {
	t.Helper()
	log, text := logged()
	s := openAt(t, dir, Options{Log: log})
	ctx := t.Context()
	for _, p := range []string{"P-101", "P-102"} {
		epochs, err := s.Epochs(ctx, p, time.Time{}, t0.AddDate(1, 0, 0), 1e6)
		if err != nil && !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v", what, err)
		}
		for _, e := range epochs {
			if n := int(e.Start.Sub(t0) / time.Minute); !cmp.Equal(e, someEpoch(n)) {
				t.Errorf("%s: epoch %d is wrong", what, n)
			}
		}
	}
	events, err := s.Events(ctx, "P-101", time.Time{}, t0.AddDate(1, 0, 0), 1e6)
	if err != nil && !errors.Is(err, ErrDamaged) {
		t.Errorf("%s: %v", what, err)
	}
	for _, e := range events {
		if n := int(e.Time.Sub(t0) / time.Minute); !cmp.Equal(e, someEvent(n)) {
			t.Errorf("%s: event %d is wrong: %+v", what, n, e)
		}
	}
	if err := s.Commit(ctx, Batch{Tickets: []Ticket{someTicket(77)}, Epochs: []Epoch{{"P-101", someEpoch(77)}}}); err != nil {
		t.Errorf("%s: commit: %v\n%s", what, err, text)
	}
	// The ticket is there whatever happened to the file: one or the other home had it.
	tk, err := s.Ticket(ctx, "T-1")
	want := numbered(20).Tickets[0].Ticket
	if err != nil || !cmp.Equal(tk, want) {
		t.Errorf("%s: ticket %+v, error %v\n%s", what, tk, err, text)
	}
	if _, err := s.Ticket(ctx, "T-77"); err != nil {
		t.Errorf("%s: %v", what, err)
	}
	return s
}

func TestFlippedBits(t *testing.T) {
	db, ledger := damagedFixture(t)
	r := rand.New(rand.NewPCG(11, 5))
	quarantined := 0
	for i := range 50 {
		dir := t.TempDir()
		bad := append([]byte{}, db...)
		at := r.IntN(len(bad))
		if i < 20 {
			at = r.IntN(120) // the header deserves more than its share
		}
		for range 1 + i%4 {
			bad[at] ^= 1 << r.IntN(8)
			at = r.IntN(len(bad))
		}
		write(t, filepath.Join(dir, dbName), bad)
		write(t, filepath.Join(dir, ledgerName), ledger)
		s := checkNothingWrong(t, dir, fmt.Sprintf("round %d", i))
		if s.Recovery().Quarantined != "" {
			quarantined++
		}
		if err := s.Close(); err != nil {
			t.Errorf("round %d: %v", i, err)
		}
	}
	t.Logf("%d of 50 files were set aside", quarantined)
	if quarantined == 0 {
		t.Error("no damage was ever seen")
	}
}

func TestTruncatedFile(t *testing.T) {
	db, ledger := damagedFixture(t)
	for _, size := range []int{0, 1, 50, 100, 4096, len(db) / 2, len(db) - 4096, len(db) - 1} {
		dir := t.TempDir()
		write(t, filepath.Join(dir, dbName), db[:size])
		write(t, filepath.Join(dir, ledgerName), ledger)
		s := checkNothingWrong(t, dir, fmt.Sprintf("%d bytes", size))
		r := s.Recovery()
		// One byte is an empty file to SQLite; a last byte that is missing is read as zero, which it was.
		damaged := size > 1 && size < len(db)-1
		if damaged && (r.Quarantined == "" || r.Tickets != 1) {
			t.Errorf("%d bytes: %+v", size, r)
			continue
		}
		if damaged {
			kept := must(os.ReadFile(filepath.Join(dir, r.Quarantined)))(t)
			if !cmp.Equal(kept, db[:size]) {
				t.Errorf("%d bytes: the damaged file was not kept as it was", size)
			}
		}
	}
}

func TestNoDatabaseAtAll(t *testing.T) {
	f := func(name, content string) {
		dir := t.TempDir()
		write(t, filepath.Join(dir, dbName), []byte(content))
		s := openAt(t, dir, Options{})
		commit(t, s, numbered(1))
		if s.Recovery().Reason == "" {
			t.Errorf("%s was taken for a state file", name)
		}
	}
	f("text", strings.Repeat("this is no database\n", 500))
	f("zeros", string(make([]byte, 8192)))
}

func TestBothHomesDamaged(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, dbName), []byte("not a database, but long enough to be looked at as if it were one; "))
	write(t, filepath.Join(dir, ledgerName), []byte(`{"format":1,"crc32c":"00000000","tickets":[{}]}`))
	log, text := logged()
	s := openAt(t, dir, Options{Log: log})
	commit(t, s, numbered(1))
	if !strings.Contains(text.String(), "ledger begins empty") {
		t.Errorf("the loss was not told:\n%s", text)
	}
	if _, err := os.Stat(filepath.Join(dir, ledgerName+".damaged")); err != nil {
		t.Errorf("the damaged copy was not kept: %v", err)
	}
}

// Damage that appears while the agent runs: the commit that meets it goes through on a fresh file.
func TestDamageWhileRunning(t *testing.T) {
	dir := t.TempDir()
	s := openAt(t, dir, Options{})
	if err := s.SetReceivers(t.Context(), []Receiver{{"b", KindsOf(KindEvent)}}); err != nil {
		t.Fatal(err)
	}
	commit(t, s, numbered(1))
	if err := s.Maintain(t.Context(), t0); err != nil {
		t.Fatal(err)
	}
	if _, err := s.db.write.Exec("UPDATE ticket SET sum = sum + 1"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Ticket(t.Context(), "T-1"); !errors.Is(err, ErrDamaged) {
		t.Fatalf("damaged ticket: %v", err)
	}
	commit(t, s, Batch{Events: []event.Event{someEvent(2)}})
	if tk := must(s.Ticket(t.Context(), "T-1"))(t); tk.Severity != 1 {
		t.Errorf("ticket from the copy: %+v", tk)
	}
	if d := cmp.Diff([]string{someEvent(2).ID}, ids(must(s.Pending(t.Context(), "b", 10))(t))); d != "" {
		t.Errorf("the receiver was forgotten (-want +got):\n%s", d)
	}
	if s.Recovery().Tickets != 1 {
		t.Errorf("%+v", s.Recovery())
	}
}

func TestNewerFormatIsRefusedAndKept(t *testing.T) {
	dir := t.TempDir()
	s := openAt(t, dir, Options{})
	commit(t, s, numbered(1))
	if _, err := s.db.write.Exec("PRAGMA user_version = 99; UPDATE meta SET version = 99"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before := must(os.ReadFile(filepath.Join(dir, dbName)))(t)
	log, _ := logged()
	_, err := Open(t.Context(), dir, Options{Log: log})
	if !errors.Is(err, ErrNewer) {
		t.Fatalf("newer format: %v", err)
	}
	t.Log(err)
	if !cmp.Equal(before, must(os.ReadFile(filepath.Join(dir, dbName)))(t)) {
		t.Error("the newer file was touched")
	}
}

// max_page_count makes SQLite itself say SQLITE_FULL, as a disk without room does.
func TestDiskFull(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	commit(t, s, numbered(1))
	if _, err := s.db.write.Exec("PRAGMA max_page_count = 40"); err != nil {
		t.Fatal(err)
	}
	var err error
	n := 1
	for err == nil {
		n++
		err = s.Commit(t.Context(), numbered(n))
	}
	if !errors.Is(err, ErrFull) {
		t.Fatalf("full: %v", err)
	}
	t.Logf("batch %d: %v", n, err)
	if got := checkPrefix(t, s); got != n-1 {
		t.Errorf("%d batches are there, %d were acknowledged", got, n-1)
	}
	if _, err := s.db.write.Exec("PRAGMA max_page_count = 100000"); err != nil {
		t.Fatal(err)
	}
	commit(t, s, numbered(n))
	if got := checkPrefix(t, s); got != n {
		t.Errorf("after room was made, %d batches are there", got)
	}
}

// The copy of the tickets can not be written: the commit holds, the error is told, and the copy follows.
func TestLedgerCatchesUp(t *testing.T) {
	dir := t.TempDir()
	log, text := logged()
	s := openAt(t, dir, Options{Log: log})
	obstacle := filepath.Join(dir, ledgerName+".new")
	if err := os.MkdirAll(obstacle, 0o700); err != nil { // where the new copy is to be written
		t.Fatal(err)
	}
	commit(t, s, numbered(5))
	if !strings.Contains(text.String(), "copy of the tickets could not be written") {
		t.Fatalf("not told:\n%s", text)
	}
	if err := os.Remove(obstacle); err != nil {
		t.Fatal(err)
	}
	commit(t, s, Batch{})
	tickets := must(parseLedger(must(os.ReadFile(filepath.Join(dir, ledgerName)))(t)))(t).Tickets
	if len(tickets) != 1 || tickets[0].Ticket.Severity != 5 {
		t.Errorf("copy: %+v", tickets)
	}
}
