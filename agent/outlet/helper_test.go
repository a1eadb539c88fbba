package outlet

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"diastole/agent/event"
	"diastole/agent/store"
	"diastole/detect/feature"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var t0 = time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)

func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func quiet(t testing.TB) *slog.Logger { return slog.New(slog.NewTextHandler(t.Output(), nil)) }

func openStore(t *testing.T, opts store.Options, receivers ...store.Receiver) *store.Store {
	t.Helper()
	opts.Log = quiet(t)
	s := must(store.Open(t.Context(), t.TempDir(), opts))(t)
	if err := s.SetReceivers(t.Context(), receivers); err != nil {
		t.Fatal(err)
	}
	return s
}

func closeStore(t *testing.T, s *store.Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func commit(t *testing.T, s *store.Store, b store.Batch) {
	t.Helper()
	if err := s.Commit(t.Context(), b); err != nil {
		t.Fatal(err)
	}
}

func someEvent(n int) event.Event {
	return event.Event{
		SpecVersion: "1.0", ID: fmt.Sprintf("P-101/check-valve-leak/%d", n), Source: "/sites/north-works/pumps/P-101",
		Type: event.TicketUpdated, Subject: "P-101", Time: t0.Add(time.Duration(n) * time.Minute),
		DataContentType: "application/json", Data: json.RawMessage(fmt.Sprintf(`{"ticket":"T-%d","severity":0.25,"probability":0.97}`, n)),
	}
}

func someEpoch(n int) feature.Epoch {
	at := t0.Add(time.Duration(n) * time.Minute)
	e := feature.Epoch{Start: at, End: at.Add(time.Minute), State: feature.Running, Strokes: 186 + n, Inlet: feature.Value{V: 4e5, SE: 120, Valid: true}}
	e.Features[feature.StrokeRate] = feature.Value{V: 3.1 + float64(n)/1000, SE: 0.01, Valid: true}
	return e
}

func eventRow(n int) store.Row {
	e := someEvent(n)
	text, err := json.Marshal(e)
	if err != nil {
		panic(err)
	}
	return store.Row{Seq: int64(n), Kind: store.KindEvent, Pump: e.Subject, Time: e.Time, ID: e.ID, JSON: text}
}

func epochRow(n int) store.Row {
	e := someEpoch(n)
	return store.Row{Seq: int64(n), Kind: store.KindEpoch, Pump: "P-101", Time: e.Start, Epoch: e}
}

// fakeSender hands each row to take; it stands for a receiver whose protocol is not the matter of the test.
type fakeSender struct {
	name  string
	kinds store.Kinds
	take  func(context.Context, store.Row) error
}

var _ Sender = (*fakeSender)(nil)

func (f *fakeSender) Name() string       { return f.name }
func (f *fakeSender) Kinds() store.Kinds { return f.kinds }
func (f *fakeSender) Close()             {}
func (f *fakeSender) Send(ctx context.Context, rows []store.Row) (int, error) {
	for i := range rows {
		if err := f.take(ctx, rows[i]); err != nil {
			return i, err
		}
	}
	return len(rows), nil
}

// start runs a runner; stop ends it and waits.
func start(t *testing.T, r *Runner) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { r.Run(ctx) })
	return func() {
		cancel()
		wg.Wait()
	}
}

// server is the path of an installed server program. Where it is missing the test is skipped, or fails
// where DIASTOLE_REQUIRE_SERVERS=1 says that it must be there.
func server(t *testing.T, name string) string {
	t.Helper()
	for _, candidate := range []string{name, "/usr/sbin/" + name} {
		if path, err := exec.LookPath(candidate); err == nil {
			return path
		}
	}
	if os.Getenv("DIASTOLE_REQUIRE_SERVERS") == "1" {
		t.Fatalf("%s is not installed, and DIASTOLE_REQUIRE_SERVERS=1", name)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

// freePort is a loopback port that nobody listened on a moment ago.
func freePort(t *testing.T) int {
	t.Helper()
	l := must(net.Listen("tcp", "127.0.0.1:0"))(t)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// launch starts a server program and waits until it listens; kill ends it at once.
func launch(t *testing.T, port int, path string, args ...string) (kill func()) {
	t.Helper()
	cmd := exec.Command(path, args...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill = sync.OnceFunc(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed: its status tells nothing
	})
	t.Cleanup(kill)
	eventually(t, path+" listens", func() bool {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if err != nil {
			return false
		}
		c.Close()
		return true
	})
	return kill
}

// eventually waits for something outside this process, which no fake clock moves.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.After(20 * time.Second)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-deadline:
			t.Fatalf("20 s have passed and still not: %s", what)
		case <-tick.C:
		}
	}
}
