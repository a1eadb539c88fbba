package web

import (
	"bufio"
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// TestEventsOverTheWire reads the stream as a browser does and outlives the server's timeouts.
func TestEventsOverTheWire(t *testing.T) {
	src := newFake(1)
	s := New(src, http.NotFoundHandler(), slog.New(slog.DiscardHandler))
	// Timeouts far shorter than the stream: they must not end it.
	s.times.read, s.times.write = 100*time.Millisecond, 100*time.Millisecond
	s.times.keepAlive, s.times.pace = 60*time.Millisecond, time.Millisecond
	if err := s.Start(t.Context(), "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	header, events := stream(t, "http://"+s.Addr()+"/events")
	if got := header.Get("Content-Type"); got != "text/event-stream" {
		t.Fatalf("content type %q", got)
	}
	lines := bufio.NewScanner(events)
	comments, changes := 0, 0
	for changes < 2 && lines.Scan() {
		switch lines.Text() {
		case ": still here":
			comments++
			if comments%4 == 0 { // by now a timeout has passed
				src.changes <- struct{}{}
			}
		case "event: change":
			changes++
		}
	}
	if changes != 2 {
		t.Errorf("the stream ended after %d comments and %d changes: %v", comments, changes, lines.Err())
	}
}

// TestEventsPace holds in fake time: changes within the pace merge, and silence is filled with comments.
func TestEventsPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := newFake(1)
		s := New(src, http.NotFoundHandler(), slog.New(slog.DiscardHandler))
		ctx, cancel := context.WithCancel(t.Context())
		out := &streamRecorder{header: http.Header{}}
		request := httptest.NewRequestWithContext(ctx, http.MethodGet, "/events", nil)
		var handler sync.WaitGroup
		handler.Go(func() { s.streamEvents(out, request) })

		expect := func(after string, changes, comments int) {
			t.Helper()
			synctest.Wait()
			text := out.String()
			if c, k := strings.Count(text, "event: change\n"), strings.Count(text, ": still here\n"); c != changes || k != comments {
				t.Errorf("%s: %d changes and %d comments, want %d and %d", after, c, k, changes, comments)
			}
		}
		expect("at the start", 0, 0)
		src.changes <- struct{}{}
		expect("after a change", 1, 0)
		src.changes <- struct{}{}
		expect("after a change within the pace", 1, 0)
		time.Sleep(s.times.pace)
		expect("after the pace", 2, 0)
		time.Sleep(3*s.times.keepAlive + time.Millisecond)
		expect("after a long silence", 2, 3)

		cancel()
		handler.Wait()
	})
}

// TestEventsEndWithTheSource wants the stream to end when the agent closes the subscription, and when
// the client is gone.
func TestEventsEndWithTheSource(t *testing.T) {
	src := newFake(1)
	s := New(src, http.NotFoundHandler(), slog.New(slog.DiscardHandler))
	request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/events", nil)
	close(src.changes)
	s.streamEvents(&streamRecorder{header: http.Header{}}, request)

	s = New(newFake(1), http.NotFoundHandler(), slog.New(slog.DiscardHandler))
	s.streamEvents(&streamRecorder{header: http.Header{}, gone: true}, request)
}

// streamRecorder is a response that can be read while it is written.
type streamRecorder struct {
	mu     sync.Mutex
	header http.Header
	text   strings.Builder
	gone   bool
}

func (r *streamRecorder) Header() http.Header { return r.header }
func (r *streamRecorder) WriteHeader(int)     {}
func (r *streamRecorder) Flush()              {}
func (r *streamRecorder) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.gone {
		return 0, http.ErrHandlerTimeout
	}
	return r.text.Write(b)
}
func (r *streamRecorder) SetReadDeadline(time.Time) error  { return nil }
func (r *streamRecorder) SetWriteDeadline(time.Time) error { return nil }
func (r *streamRecorder) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.text.String()
}
