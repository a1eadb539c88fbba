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
	log = slog.New(slog.NewTextHandler(io.MultiWriter(&text, t.Output()), &slog.HandlerOptions{Level: slog.LevelWarn}))
	return log, func() {
		t.Helper()
		if text.Len() > 0 {
			t.Errorf("the agent complained:\n%s", &text)
		}
	}
}

// TestPlay plays the plant as fast as it goes, through broker, agent, disk and page, until every pump that wears should
// have its ticket; the truth is what the simulator did. The first ticket is closed as done: that pump is learned anew, and
// brings no other ticket.
func TestPlay(t *testing.T) {
	if testing.Short() {
		t.Skip("half a minute of simulation")
	}
	const hours, limit = 160 * time.Hour, 180 * time.Hour // three minutes at an hour a second
	empty := scratch(t)
	log, _ := warnings(t)
	mechanic := &mechanic{t: t, pump: "G-201"}
	fates, err := play(t.Context(), Options{Log: log, Out: mechanic, Speed: math.Inf(1), For: hours, Seed: 1})
	mechanic.work.Wait()
	text := mechanic.heard.String()
	t.Log(text)
	if err != nil {
		t.Fatal(err)
	}
	first := time.Duration(math.MaxInt64)
	for _, f := range fates {
		if !f.right() {
			t.Errorf("%s: %s", f.pump, f.words(hours))
		}
		if f.ticket != nil {
			first = min(first, f.ticket.after)
		}
	}
	if first > limit {
		t.Errorf("the first ticket came after %v; it must come within %v", first, limit)
	}
	for line, want := range map[string]int{
		"Every pump that wears has its ticket":  1,
		mechanic.pump + "  TICKET":              1,
		mechanic.pump + "  ticket closed: done": 1,
		mechanic.pump + "  is learned anew":     1,
	} {
		if got := strings.Count(text, line); got != want {
			t.Errorf("it says %q %d times; it should %d times", line, got, want)
		}
	}
	empty()
}

// mechanic reads along, and closes the first ticket of a pump as done.
type mechanic struct {
	t    *testing.T
	pump string
	work sync.WaitGroup

	heard bytes.Buffer
	busy  bool
}

// Write implements io.Writer. The demonstration writes one line at a time.
func (m *mechanic) Write(words []byte) (int, error) {
	m.heard.Write(words)
	found := regexp.MustCompile(m.pump + `  TICKET .* (http://\S+)/tickets/(\S+)\n`).FindSubmatch(words)
	if found != nil && !m.busy {
		m.busy = true
		url := string(found[1]) + "/api/v1/tickets/" + string(found[2]) + "/close"
		m.work.Go(func() { ask(m.t, http.MethodPost, url, `{"by":"mech","outcome":"done","note":"new balls and seats"}`) })
	}
	return len(words), nil
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
			answer := ask(t, http.MethodGet, string(found[1]), "")
			for _, p := range parts() {
				if !bytes.Contains(answer, []byte(p.id)) {
					t.Errorf("the page does not show pump %s", p.id)
				}
			}
			go func() { _, _ = io.Copy(io.Discard, words) }() // ends when the pipe is closed
			return
		}
	}
}

// ask asks the agent's page or API for something and gives the answer.
func ask(t *testing.T, method, url, body string) []byte {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	req, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		t.Error(err)
		return nil
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := client.Do(req)
	if err != nil {
		t.Error(err)
		return nil
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("%s %s: %s, %v\n%s", method, url, resp.Status, err, answer)
	}
	return answer
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
