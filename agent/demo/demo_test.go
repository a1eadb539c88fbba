package demo

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"math"
	"net/http"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// scratch makes a temporary folder of the test's own the system's, and gives a check that nothing is left in it.
func scratch(t *testing.T) (empty func()) {
	t.Helper()
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	t.Setenv("TMP", dir)
	return func() {
		t.Helper()
		left, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		if len(left) > 0 {
			t.Errorf("left behind in the temporary folder: %v", left)
		}
	}
}

// warnings collects what the agent warns of.
func warnings(t *testing.T) (log *slog.Logger, none func()) {
	var text bytes.Buffer
	log = slog.New(slog.NewTextHandler(&text, &slog.HandlerOptions{Level: slog.LevelWarn}))
	return log, func() {
		t.Helper()
		if text.Len() > 0 {
			t.Errorf("the agent complained:\n%s", &text)
		}
	}
}

// TestPlay plays the plant as fast as it goes, through broker, agent, disk and page, until every pump that wears should
// have its ticket. The truth is what the simulator did.
func TestPlay(t *testing.T) {
	if testing.Short() {
		t.Skip("half a minute of simulation")
	}
	empty := scratch(t)
	log, none := warnings(t)
	var out bytes.Buffer
	fates, err := play(t.Context(), Options{Log: log, Out: &out, Speed: math.Inf(1), For: 140 * time.Hour, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%s", &out)
	first := time.Duration(math.MaxInt64)
	for _, f := range fates {
		if !f.right() {
			t.Errorf("%s: %s", f.pump, f.words(140*time.Hour))
		}
		if f.ticket != nil {
			first = min(first, f.ticket.after)
		}
	}
	if limit := 180 * time.Hour; first > limit { // three minutes at an hour a second
		t.Errorf("the first ticket came after %v; it must come within %v", first, limit)
	}
	if text := out.String(); strings.Count(text, "Every pump that wears has its ticket") != 1 {
		t.Error("it does not say once that all tickets have come")
	}
	empty()
	none()
}

// TestInterrupt ends the demonstration while it runs, as Ctrl-C does: the page that it names answers until then, and
// afterwards nothing of it is left.
func TestInterrupt(t *testing.T) {
	empty := scratch(t)
	log, none := warnings(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	read, write := io.Pipe()
	var wg sync.WaitGroup
	wg.Go(func() {
		defer cancel()
		visit(t, read)
	})
	err := Run(ctx, Options{Log: log, Out: write, Speed: 20})
	_ = write.Close()
	wg.Wait()
	if err != nil {
		t.Errorf("interrupted, it gives %v; it must give nil", err)
	}
	empty()
	none()
}

// visit opens the page that the words name, and reads on so that nothing waits.
func visit(t *testing.T, words io.Reader) {
	seen := make([]byte, 0, 4096)
	buf := make([]byte, 512)
	page := regexp.MustCompile(`Open +(http://\S+/)\n`)
	for {
		n, err := words.Read(buf)
		if seen = append(seen, buf[:n]...); err != nil {
			t.Errorf("the words end without a page: %v\n%s", err, seen)
			return
		}
		if found := page.FindSubmatch(seen); found != nil {
			get(t, string(found[1]))
			go func() { _, _ = io.Copy(io.Discard, words) }() // ends when the pipe is closed
			return
		}
	}
}

func get(t *testing.T, url string) {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Error(err)
		return
	}
	resp, err := client.Do(req)
	if err != nil {
		t.Error(err)
		return
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("GET %s: %s, %v", url, resp.Status, err)
	}
	for _, p := range parts() {
		if !bytes.Contains(body, []byte(p.id)) {
			t.Errorf("the page does not show pump %s", p.id)
		}
	}
}

// TestFailure checks that what cannot be is an error that says so, and leaves nothing behind either.
func TestFailure(t *testing.T) {
	for _, c := range []struct {
		name string
		o    Options
		says string
	}{
		{"speed below 0", Options{Speed: -1}, "the speed must be above 0"},
		{"speed not a number", Options{Speed: math.NaN()}, "the speed must be above 0"},
		{"length below 0", Options{For: -1}, "the length must not be below"},
		{"page on no address", Options{Listen: "127.0.0.1:-1"}, "127.0.0.1:-1"},
		{"page open to all", Options{Listen: "0.0.0.0:0"}, "loopback"},
		{"words that nobody takes", Options{Out: deaf{}, Speed: math.Inf(1), For: time.Hour}, "nobody listens"},
	} {
		t.Run(c.name, func(t *testing.T) {
			empty := scratch(t)
			c.o.Log = slog.New(slog.DiscardHandler)
			if c.o.Out == nil {
				c.o.Out = io.Discard
			}
			if err := Run(t.Context(), c.o); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v; it should say %q", err, c.says)
			}
			empty()
		})
	}
}

// deaf takes no words.
type deaf struct{}

func (deaf) Write([]byte) (int, error) { return 0, errors.New("nobody listens") }
