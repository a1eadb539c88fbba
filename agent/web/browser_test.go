package web

import (
	"bytes"
	"context"
	"flag"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"diastole/detect/feature"
)

// requireProgram skips a test whose program is not installed, unless the environment insists.
func requireProgram(t *testing.T, name string) string {
	t.Helper()
	found, err := exec.LookPath(name)
	switch {
	case err == nil:
		return found
	case os.Getenv("DIASTOLE_REQUIRE_SERVERS") == "1":
		t.Fatalf("%s is required here: %v", name, err)
	default:
		t.Skipf("%s is not installed", name)
	}
	return ""
}

// startServer serves src on a free loopback port until the test ends, and returns its base URL.
func startServer(t *testing.T, src Source) (string, *Server) {
	t.Helper()
	metrics := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("diastole_up 1\n")) })
	s := New(src, metrics, slog.New(slog.DiscardHandler))
	if err := s.Start(t.Context(), "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := s.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return "http://" + s.Addr(), s
}

// startBrowser opens a headless browser with a fresh profile, which ends with the test. What its console
// warns of (a blocked style or script, a failed request, an exception) fails the test.
func startBrowser(t *testing.T) context.Context {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(requireProgram(t, "chromium")), chromedp.UserDataDir(t.TempDir()),
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	t.Cleanup(cancel)
	ctx, closeTab := chromedp.NewContext(ctx)
	t.Cleanup(closeTab)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal("start the browser:", err)
	}

	listening, stopListening := context.WithCancel(ctx)
	messages := chromedp.Console(listening)
	var listener sync.WaitGroup
	listener.Go(func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			if m.Type == chromedp.ConsoleError || m.Type == chromedp.ConsoleWarning || m.Type == chromedp.ConsoleException {
				t.Error("the browser complains:", m)
			}
		}
	})
	t.Cleanup(func() { stopListening(); listener.Wait() })
	return ctx
}

// window sets the size of the window in CSS pixels, and light or dark.
func window(width, height int64, scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Steps(
		chromedp.EmulateViewport(width, height),
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
			})
			return err
		}),
	)
}

// TestBrowser opens the pages in a real browser, looks for what a person must find, and keeps the
// pictures where `go test -artifacts` asks for them.
func TestBrowser(t *testing.T) {
	ctx := startBrowser(t)
	src := newFake(40)
	many, _ := startServer(t, src)
	few, _ := startServer(t, newFake(6))
	fresh := newFake(0)
	fresh.health = Health{Conditions: []Condition{{Name: "broker", Since: fakeNow, Text: "connection refused"}}}
	empty, _ := startServer(t, fresh)

	shots := []struct {
		name, url     string
		width, height int64
		scheme        string
		whole         bool
		want          []string
	}{
		{"fleet", many + "/", 1280, 800, "light", false, []string{"Maintenance required", "P-103", "wet end", "learning", "silent since"}},
		{"fleet-dark", many + "/", 1280, 800, "dark", false, nil},
		{"fleet-phone", many + "/", 390, 844, "light", false, []string{"P-140"}},
		{"fleet-few", few + "/", 1280, 800, "light", false, []string{"glaze slurry"}},
		{"fleet-empty", empty + "/", 1280, 800, "light", false, []string{"No pump is configured", "Agent not ready", "connection refused"}},
		{"pump", many + "/pumps/P-103", 1280, 800, "light", true, []string{"Stroke rate", "strokes/min", "now outside", "stroke A 46.0 % of it, 50.2 % when healthy", "4\u202f200\u202f000"}},
		{"pump-dark", many + "/pumps/P-103", 1280, 800, "dark", false, nil},
		{"pump-phone", many + "/pumps/P-103", 390, 844, "light", true, nil},
		{"pump-learning", many + "/pumps/P-105", 1280, 800, "light", false, []string{"nothing expected yet", "41 of 100 h", "The healthy cycle is drawn here once it is known"}},
		{"pump-odd-name", many + "/pumps/P-1%2F3%20%3C%22&'%3E%20S%C3%BCd", 1280, 800, "light", false, []string{`P-1/3 <"&'> Süd`, "<script>alert(1)</script>"}},
		{"ticket", many + "/tickets/T-P-103-0004", 1280, 800, "light", true, []string{"Pull the wet end kit for P-103", "WE-1020-EX", "Acknowledge"}},
		{"ticket-dark", many + "/tickets/T-P-103-0004", 1280, 800, "dark", false, nil},
		{"ticket-phone", many + "/tickets/T-P-103-0004", 390, 844, "light", true, nil},
		{"rebuilt", many + "/pumps/P-103/rebuilt?ticket=T-P-103-0004", 1280, 800, "light", true, []string{"P-103 was rebuilt", "Muffler", "wrong way round"}},
		{"tickets", many + "/tickets", 1280, 800, "light", false, []string{"Acknowledged by M. Reed"}},
	}
	for _, shot := range shots {
		if shot.scheme == "dark" && !keepsPictures() {
			continue // the same words and layout as in light
		}
		t.Run(shot.name, func(t *testing.T) {
			if err := chromedp.Do(ctx, window(shot.width, shot.height, shot.scheme), chromedp.Navigate(shot.url)); err != nil {
				t.Fatal(err)
			}
			checkText(t, ctx, shot.want...)
			tooWide, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`))
			if err != nil || tooWide {
				t.Errorf("the page is wider than its window (error %v)", err)
			}
			if !keepsPictures() {
				return
			}
			capture := chromedp.CaptureScreenshot()
			if shot.whole {
				capture = chromedp.FullScreenshot(100)
			}
			picture, err := chromedp.Run(ctx, capture)
			if err != nil {
				t.Fatal(err)
			}
			keep(t, shot.name+".png", picture)
		})
	}

	t.Run("forty pumps fit one screen", func(t *testing.T) {
		if err := chromedp.Do(ctx, window(1280, 800, "light"), chromedp.Navigate(many+"/")); err != nil {
			t.Fatal(err)
		}
		bottom, err := chromedp.Run(ctx, chromedp.Evaluate[float64](
			`Math.max(...[...document.querySelectorAll("tr.row")].map(row => row.getBoundingClientRect().bottom))`))
		if err != nil || bottom > 800 {
			t.Errorf("the last pump ends at %.0f px of 800 (error %v)", bottom, err)
		}
	})

	t.Run("a change refreshes the page", func(t *testing.T) {
		if err := chromedp.Do(ctx, chromedp.Navigate(many+"/"), chromedp.WaitVisible(chromedp.CSS(`tr.good a[href="/pumps/P-101"]`))); err != nil {
			t.Fatal(err)
		}
		src.mu.Lock()
		src.pumps[0].State, src.pumps[0].Discharge.V = feature.NotStroking, 0
		src.mu.Unlock()
		src.changes <- struct{}{}
		if err := chromedp.Do(ctx, chromedp.WaitVisible(chromedp.CSS(`tr.out-of-specification a[href="/pumps/P-101"]`))); err != nil {
			t.Error("the page did not follow the change:", err)
		}
	})

	t.Run("a form moves the ticket", func(t *testing.T) {
		err := chromedp.Do(ctx, chromedp.Navigate(many+"/tickets/T-P-103-0004"),
			chromedp.SendKeys(chromedp.CSS(`form[action$="/acknowledge"] input[name=by]`), "A. Novak"),
			chromedp.Click(chromedp.CSS(`form[action$="/acknowledge"] button`)),
			chromedp.WaitNotPresent(chromedp.CSS(`form[action$="/acknowledge"]`)))
		if err != nil {
			t.Fatal(err)
		}
		checkText(t, ctx, "Acknowledged by A. Novak")
	})

	for name, size := range map[string]chromedp.PaperSize{"a4": chromedp.PaperA4, "letter": chromedp.PaperLetter} {
		t.Run("printed on "+name, func(t *testing.T) {
			if err := chromedp.Do(ctx, chromedp.Navigate(many+"/tickets/T-P-103-0004")); err != nil {
				t.Fatal(err)
			}
			pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(size), preferPageStyle))
			if err != nil {
				t.Fatal(err)
			}
			checkPrintedTicket(t, keep(t, "ticket-"+name+".pdf", pdf))
		})
	}
}

// preferPageStyle leaves margins to the style sheet, as a person's print dialogue does.
func preferPageStyle(p *page.PrintToPDFParams) { p.PreferCSSPageSize = new(true) }

// checkText looks for words on the page as it is shown.
func checkText(t *testing.T, ctx context.Context, wants ...string) {
	t.Helper()
	text, err := chromedp.Run(ctx, chromedp.Text(chromedp.CSS("body")))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range wants {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not show %q", want)
		}
	}
}

// keepsPictures tells whether the test runs with -artifacts; pictures take most of its time.
func keepsPictures() bool {
	f := flag.Lookup("test.artifacts")
	return f != nil && f.Value.String() == "true"
}

// keep writes a file into the test's artifacts.
func keep(t *testing.T, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.ArtifactDir(), name)
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// checkPrintedTicket looks for what a technician needs on paper, in that order, and for what must not
// be there.
func checkPrintedTicket(t *testing.T, file string) {
	t.Helper()
	text, err := exec.CommandContext(t.Context(), requireProgram(t, "pdftotext"), file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	rest := bytes.Join(bytes.Fields(text), []byte(" "))
	for _, want := range []string{
		"Pull the wet end kit for P-103", "Cautions", "Hazard: corrosive", "service manual", "WE-1020-EX", "2 on the shelf", "Suction ball and seat",
		"strokes faster than", "Check before opening", "EX-1201", "open spanner 17 mm", "Steps", "soft jaws", "Inspect", "fingernail",
		"14 N.m", "invented manual, edition 3, page 15", "no torque given: tighten evenly", "Record", "Initials",
	} {
		at := bytes.Index(rest, []byte(want))
		if at < 0 {
			t.Errorf("%q is missing on paper, or not in its place", want)
			continue
		}
		rest = rest[at:]
	}
	for _, unwanted := range []string{"Close ticket", "Agent ready", "Tickets\n", "N·m", "Nm"} {
		if bytes.Contains(text, []byte(unwanted)) {
			t.Errorf("%q does not belong on paper", unwanted)
		}
	}
	if sheets := bytes.Count(text, []byte("\f")); sheets > 4 {
		t.Errorf("the ticket takes %d sheets, wanted at most 4", sheets)
	}
}
