package web

import (
	"bytes"
	"fmt"
	"net/http"
	"strings"
)

// Handler is everything the server answers to, with its guards: what Start serves.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()

	mux.Handle("GET /{$}", s.page(s.fleetPage))
	mux.Handle("GET /pumps/{id}", s.page(s.pumpPage))
	mux.Handle("GET /tickets", s.page(s.ticketsPage))
	mux.Handle("GET /tickets/{id}", s.page(s.ticketPage))
	mux.Handle("POST /tickets/{id}/acknowledge", s.page(s.acknowledgeForm))
	mux.Handle("POST /tickets/{id}/close", s.page(s.closeForm))
	mux.HandleFunc("GET /events", s.streamEvents)
	mux.HandleFunc("GET /static/{name}", serveStatic)

	mux.Handle("GET /api/v1/pumps", s.api(s.getPumps))
	mux.Handle("GET /api/v1/pumps/{id}", s.api(s.getPump))
	mux.Handle("GET /api/v1/pumps/{id}/trend", s.api(s.getTrend))
	mux.Handle("GET /api/v1/pumps/{id}/cycle", s.api(s.getCycle))
	mux.Handle("GET /api/v1/tickets", s.api(s.getTickets))
	mux.Handle("GET /api/v1/tickets/{id}", s.api(s.getTicket))
	mux.Handle("POST /api/v1/tickets/{id}/acknowledge", s.api(s.postAcknowledge))
	mux.Handle("POST /api/v1/tickets/{id}/close", s.api(s.postClose))
	mux.Handle("GET /api/v1/advisories", s.api(s.getAdvisories))
	mux.Handle("GET /api/v1/health", s.api(s.getHealth))

	mux.HandleFunc("GET /healthz", healthz)
	mux.HandleFunc("GET /readyz", s.readyz)
	mux.Handle("GET /metrics", s.metrics)
	return guard(s.explainMisses(mux))
}

// explainMisses answers requests that no route takes in the form of their side of the house: a problem
// under /api/, a page elsewhere. Status and Allow header are those that the mux found.
func (s *Server) explainMisses(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		miss, pattern := mux.Handler(r)
		if pattern != "" {
			mux.ServeHTTP(w, r)
			return
		}
		probe := missProbe{header: w.Header(), status: http.StatusNotFound}
		miss.ServeHTTP(&probe, r)
		detail := "there is nothing at " + r.URL.Path
		if allow := w.Header().Get("Allow"); allow != "" {
			detail = "this address takes only " + allow
		}
		if p := problem(probe.status, detail); strings.HasPrefix(r.URL.Path, "/api/") {
			writeProblem(w, p)
		} else {
			s.errorPage(w, r, p)
		}
	})
}

// missProbe takes the status and the headers of an answer and drops its body.
type missProbe struct {
	header http.Header
	status int
}

func (m *missProbe) Header() http.Header         { return m.header }
func (m *missProbe) WriteHeader(status int)      { m.status = status }
func (m *missProbe) Write(b []byte) (int, error) { return len(b), nil }

// healthz answers as long as the process can answer at all: a watchdog restarts it when this fails.
func healthz(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte("ok\n")) // a client that has gone needs no answer
}

// readyz tells whether the agent does its work, with one line for each condition.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	health := s.src.Health(r.Context())
	var text bytes.Buffer
	status := http.StatusOK
	if health.Ready {
		text.WriteString("ready\n")
	} else {
		status = http.StatusServiceUnavailable
		text.WriteString("not ready\n")
	}
	for _, c := range health.Conditions {
		word := "ok"
		if !c.OK {
			word = "failed"
		}
		fmt.Fprintf(&text, "%s %s: %s\n", word, c.Name, c.Text)
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(text.Bytes()) // a client that has gone needs no answer
}
