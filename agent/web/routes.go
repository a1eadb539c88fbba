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
	for _, do := range personal {
		mux.Handle("POST /tickets/{id}/"+string(do), s.page(s.deedForm(do)))
		mux.Handle("POST /api/v1/tickets/{id}/"+string(do), s.api(s.postDeed(do)))
	}
	mux.Handle("GET /pumps/{id}/rebuilt", s.page(s.rebuiltPage))
	mux.Handle("POST /pumps/{id}/rebuilt", s.page(s.rebuiltForm))
	mux.Handle("POST /advisories/{id}/shelve", s.page(s.shelveForm))
	mux.Handle("POST /advisories/{id}/unshelve", s.page(s.unshelveForm))
	mux.HandleFunc("GET /events", s.streamEvents)
	mux.HandleFunc("GET /static/{name}", serveStatic)

	mux.Handle("GET /api/v1/pumps", s.api(s.getPumps))
	mux.Handle("GET /api/v1/pumps/{id}", s.api(s.getPump))
	mux.Handle("GET /api/v1/pumps/{id}/trend", s.api(s.getTrend))
	mux.Handle("GET /api/v1/pumps/{id}/cycle", s.api(s.getCycle))
	mux.Handle("GET /api/v1/tickets", s.api(s.getTickets))
	mux.Handle("GET /api/v1/tickets/{id}", s.api(s.getTicket))
	mux.Handle("GET /api/v1/tickets/{id}/sheet", s.page(s.ticketSheet))
	mux.Handle("GET /api/v1/advisories", s.api(s.getAdvisories))
	mux.Handle("POST /api/v1/advisories/{id}/shelve", s.api(s.postShelve))
	mux.Handle("POST /api/v1/advisories/{id}/unshelve", s.api(s.postUnshelve))
	mux.Handle("GET /api/v1/rebuilds", s.api(s.getRebuilds))
	mux.Handle("GET /api/v1/pumps/{id}/rebuilds", s.api(s.getRebuilds))
	mux.Handle("POST /api/v1/pumps/{id}/rebuilt", s.api(s.postRebuilt))
	mux.Handle("POST /api/v1/pumps/{id}/swapped", s.api(s.postSwapped))
	mux.Handle("POST /api/v1/pumps/{id}/relearn", s.api(s.postRelearn))
	mux.Handle("GET /api/v1/stock", s.api(s.getStock))
	mux.Handle("GET /plan", s.page(s.planPage))
	mux.Handle("GET /api/v1/plan", s.planAPI())
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
