package web

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"
)

func TestStartRefusesOtherMachines(t *testing.T) {
	for _, addr := range []string{
		"0.0.0.0:0", ":0", "[::]:0", "192.0.2.7:0", "example.org:0", "localhost.example.org:0", "127.0.0.1", "",
	} {
		s := New(newFake(1), http.NotFoundHandler(), slog.New(slog.DiscardHandler))
		err := s.Start(t.Context(), addr)
		if err == nil {
			t.Errorf("address %q was accepted", addr)
			_ = s.Stop(t.Context())
			continue
		}
		if !strings.Contains(err.Error(), "host") {
			t.Errorf("address %q: the error does not say what is wanted: %v", addr, err)
		}
	}
}

func TestStopBeforeStart(t *testing.T) {
	s := New(newFake(1), http.NotFoundHandler(), slog.New(slog.DiscardHandler))
	if err := s.Stop(t.Context()); err != nil || s.Addr() != "" {
		t.Errorf("Stop: %v, Addr: %q; want nothing", err, s.Addr())
	}
}

// TestStopEndsStreams holds that an open event stream does not hold up the end of the agent, and that
// the server's goroutines are gone (TestMain looks for them).
func TestStopEndsStreams(t *testing.T) {
	base, s := startServer(t, newFake(1))
	_, events := stream(t, base+"/events")
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if err := s.Stop(ctx); err != nil {
		t.Error(err)
	}
	if _, err := io.ReadAll(events); err != nil {
		t.Error("the stream did not end cleanly:", err)
	}
	if err := s.Start(t.Context(), s.Addr()); err != nil {
		t.Error("the address is not free again:", err)
	}
}

// TestProbes checks the answers that service managers and load balancers read.
func TestProbes(t *testing.T) {
	src := newFake(1)
	base, _ := startServer(t, src)
	expect := func(path string, status int, text string) {
		t.Helper()
		answer := get(t, base+path)
		if answer.StatusCode != status || answer.text != text {
			t.Errorf("%s: %d %q, want %d %q", path, answer.StatusCode, answer.text, status, text)
		}
	}
	expect("/healthz", 200, "ok\n")
	expect("/readyz", 200, "ready\nok broker: connected\nok store: writes\n")
	expect("/metrics", 200, "diastole_up 1\n")

	src.mu.Lock()
	src.health = Health{Conditions: []Condition{{Name: "broker", Text: "connection refused"}}}
	src.mu.Unlock()
	expect("/healthz", 200, "ok\n")
	expect("/readyz", 503, "not ready\nfailed broker: connection refused\n")
}

// client sends no Origin and follows no redirect, like a program.
var client = &http.Client{
	Transport:     &http.Transport{DisableKeepAlives: true},
	CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
}

// reply is an answer read to its end.
type reply struct {
	StatusCode int
	Header     http.Header
	text       string
}

func get(t *testing.T, url string) reply {
	t.Helper()
	return send(t, http.MethodGet, url, "", nil)
}

func send(t *testing.T, method, url, body string, header map[string]string) reply {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for key, value := range header {
		request.Header.Set(key, value)
		if key == "Host" {
			request.Host = value
		}
	}
	answer, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return reply{answer.StatusCode, answer.Header, string(text)}
}

// stream opens an answer that does not end by itself; it is closed with the test.
func stream(t *testing.T, url string) (http.Header, io.Reader) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = answer.Body.Close() })
	return answer.Header, answer.Body
}
