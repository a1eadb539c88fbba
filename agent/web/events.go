package web

import (
	"io"
	"net/http"
	"time"
)

// streamEvents is the server-sent event stream: an event "change" after each change, at most one a
// pace, and a comment when it has long been quiet, so that both ends notice a dead connection. The
// events carry no data: the page fetches itself anew, so that there is one way to render it.
func (s *Server) streamEvents(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	control := http.NewResponseController(w)
	// The read timeout of the server would otherwise end the stream in its background read.
	if err := control.SetReadDeadline(time.Time{}); err != nil {
		writeProblem(w, s.describe(r, err))
		return
	}
	changes := s.src.Subscribe(ctx)
	w.Header().Set("Content-Type", "text/event-stream")

	send := func(text string) bool {
		// A deadline for each message instead of one for the whole stream: only a client that no
		// longer reads is cut off.
		if control.SetWriteDeadline(time.Now().Add(s.times.write)) != nil {
			return false
		}
		if _, err := io.WriteString(w, text); err != nil {
			return false
		}
		return control.Flush() == nil
	}
	quiet := time.NewTicker(s.times.keepAlive)
	defer quiet.Stop()
	for alive := send("retry: 3000\n\n"); alive; {
		select {
		case <-ctx.Done():
			return
		case <-quiet.C:
			alive = send(": still here\n\n")
		case _, open := <-changes:
			if !open {
				return
			}
			alive = send("event: change\ndata:\n\n")
			quiet.Reset(s.times.keepAlive)
			select { // changes that arrive meanwhile merge into the next message
			case <-ctx.Done():
				return
			case <-time.After(s.times.pace):
			}
		}
	}
}
