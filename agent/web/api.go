package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"diastole/agent/event"
	"diastole/detect/feature"
)

// api answers with the JSON of what handle returns, or with a problem.
func (s *Server) api(handle func(r *http.Request) (any, error)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		answer, err := handle(r)
		if err != nil {
			writeProblem(w, s.describe(r, err))
			return
		}
		// Into memory first: a value that cannot be encoded must not become half an answer.
		var body bytes.Buffer
		if err := json.NewEncoder(&body).Encode(answer); err != nil {
			writeProblem(w, s.describe(r, fmt.Errorf("encode the answer: %w", err)))
			return
		}
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(body.Bytes()) // a client that has gone needs no answer
	})
}

// pumpJSON is a pump in the API. What is not known is absent, not zero.
type pumpJSON struct {
	ID        string     `json:"id"`
	Serial    string     `json:"serial,omitempty"`
	Model     string     `json:"model"`
	Liquid    string     `json:"liquid,omitempty"`
	Status    Status     `json:"status"`
	State     string     `json:"state"`
	Stale     bool       `json:"stale"`
	LastData  *time.Time `json:"last_data,omitempty"`
	Learning  string     `json:"learning,omitempty"`
	AsFound   bool       `json:"as_found,omitempty"`
	Inlet     *float64   `json:"air_inlet_pressure_pa,omitempty"`
	Discharge *float64   `json:"discharge_pressure_pa,omitempty"`
	Features  []struct {
		Feature string `json:"feature"`
		Unit    string `json:"unit"`
		pointJSON
	} `json:"features"`
	Statistic           *float64         `json:"statistic,omitempty"`
	Threshold           *float64         `json:"threshold,omitempty"`
	StrokesSinceRebuild *float64         `json:"strokes_since_rebuild,omitempty"`
	Tickets             []string         `json:"tickets"`
	Advisories          []event.Advisory `json:"advisories"`
	Unseen              []string         `json:"unseen,omitempty"`
}

// pointJSON is one value; expected and band (half-width, 95 %) come together or not at all.
type pointJSON struct {
	Time     time.Time `json:"time"`
	Value    *float64  `json:"value,omitempty"`
	SE       *float64  `json:"standard_error,omitempty"`
	Expected *float64  `json:"expected,omitempty"`
	Band     *float64  `json:"band,omitempty"`
}

// number is nil for what JSON cannot hold.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func toPointJSON(p Point) pointJSON {
	j := pointJSON{Time: p.Time.UTC(), Value: number(p.Value), SE: number(p.SE)}
	if p.Known() {
		j.Expected, j.Band = number(p.Expected), number(p.Band)
	}
	return j
}

func toPumpJSON(p PumpView, open []event.Ticket) pumpJSON {
	j := pumpJSON{
		ID: p.ID, Serial: p.Serial, Model: p.Model, Liquid: p.Liquid,
		Status: judge(p, open), State: p.State.String(), Stale: p.Stale,
		Learning: p.Learning, AsFound: p.AsFound, Unseen: p.Unseen,
		Tickets: orEmpty(p.Tickets), Advisories: orEmpty(p.Advisories),
	}
	if !p.LastData.IsZero() {
		t := p.LastData.UTC()
		j.LastData = &t
	}
	if p.Inlet.Valid {
		j.Inlet = number(p.Inlet.V)
	}
	if p.Discharge.Valid {
		j.Discharge = number(p.Discharge.V)
	}
	if p.Threshold > 0 {
		j.Statistic, j.Threshold = number(p.Statistic), number(p.Threshold)
	}
	if p.StrokesSinceRebuild > 0 {
		j.StrokesSinceRebuild = number(p.StrokesSinceRebuild)
	}
	j.Features = orEmpty(j.Features)
	for _, reading := range p.Readings {
		j.Features = append(j.Features, struct {
			Feature string `json:"feature"`
			Unit    string `json:"unit"`
			pointJSON
		}{reading.Feature.String(), reading.Feature.Unit(), toPointJSON(reading.Point)})
	}
	return j
}

// orEmpty makes an empty list of none, so that a client always finds a list.
func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func (s *Server) getPumps(r *http.Request) (any, error) {
	pumps, open, err := s.pumpsAndTickets(r)
	if err != nil {
		return nil, err
	}
	list := make([]pumpJSON, len(pumps))
	for i, p := range pumps {
		list[i] = toPumpJSON(p, open)
	}
	return map[string]any{"site": s.src.Site(), "pumps": list}, nil
}

func (s *Server) getPump(r *http.Request) (any, error) {
	p, open, err := s.findPump(r, r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	return toPumpJSON(p, open), nil
}

// The number of points of a trend: what a client gets that does not say, and the most it may ask for.
const (
	defaultPoints = 500
	mostPoints    = 5000
)

// defaultSpan is how far a trend reaches back where the client does not say.
const defaultSpan = 30 * 24 * time.Hour

func (s *Server) getTrend(r *http.Request) (any, error) {
	p, _, err := s.findPump(r, r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	query := r.URL.Query()
	f, err := feature.StrokeRate, error(nil)
	if query.Has("feature") {
		f, err = parseFeature(query.Get("feature"))
	}
	if err != nil {
		return nil, err
	}
	// Times are those of the data, which in a demonstration or an import run apart from the clock.
	to, err := timeParameter(query, "to", p.LastData)
	if err != nil {
		return nil, err
	}
	from, err := timeParameter(query, "from", to.Add(-defaultSpan))
	if err != nil {
		return nil, err
	}
	if to.Before(from) {
		return nil, badRequest("to %s lies before from %s", query.Get("to"), from.Format(time.RFC3339))
	}
	limit := defaultPoints
	if query.Has("max") {
		limit, err = strconv.Atoi(query.Get("max"))
		if err != nil || limit < 1 || limit > mostPoints {
			return nil, badRequest("max %q is not a whole number from 1 to %d", query.Get("max"), mostPoints)
		}
	}
	points, err := s.src.Trend(r.Context(), p.ID, f, from, to, limit)
	if err != nil {
		return nil, err
	}
	list := make([]pointJSON, len(points))
	for i, point := range points {
		list[i] = toPointJSON(point)
	}
	return map[string]any{
		"pump": p.ID, "feature": f.String(), "unit": f.Unit(), "from": from, "to": to, "points": list,
	}, nil
}

func (s *Server) getTickets(r *http.Request) (any, error) {
	open := false
	if query := r.URL.Query(); query.Has("open") {
		var err error
		if open, err = strconv.ParseBool(query.Get("open")); err != nil {
			return nil, badRequest("open %q is not true or false", query.Get("open"))
		}
	}
	tickets, err := s.src.Tickets(r.Context(), open)
	if err != nil {
		return nil, err
	}
	return map[string]any{"tickets": orEmpty(tickets)}, nil
}

func (s *Server) getTicket(r *http.Request) (any, error) {
	return s.src.Ticket(r.Context(), r.PathValue("id"))
}

func (s *Server) getAdvisories(r *http.Request) (any, error) {
	advisories, err := s.src.Advisories(r.Context())
	if err != nil {
		return nil, err
	}
	return map[string]any{"advisories": orEmpty(advisories)}, nil
}

func (s *Server) getHealth(r *http.Request) (any, error) {
	type conditionJSON struct {
		Name  string    `json:"name"`
		OK    bool      `json:"ok"`
		Since time.Time `json:"since"`
		Text  string    `json:"text"`
	}
	health := s.src.Health(r.Context())
	list := make([]conditionJSON, len(health.Conditions))
	for i, c := range health.Conditions {
		list[i] = conditionJSON(c)
	}
	return map[string]any{"ready": health.Ready, "conditions": list}, nil
}

// pumpsAndTickets fetches all pumps and the open tickets by which they are judged.
func (s *Server) pumpsAndTickets(r *http.Request) ([]PumpView, []event.Ticket, error) {
	pumps, err := s.src.Pumps(r.Context())
	if err != nil {
		return nil, nil, fmt.Errorf("pumps: %w", err)
	}
	open, err := s.src.Tickets(r.Context(), true)
	if err != nil {
		return nil, nil, fmt.Errorf("open tickets: %w", err)
	}
	return pumps, open, nil
}

func (s *Server) findPump(r *http.Request, id string) (PumpView, []event.Ticket, error) {
	pumps, open, err := s.pumpsAndTickets(r)
	if err != nil {
		return PumpView{}, nil, err
	}
	for _, p := range pumps {
		if p.ID == id {
			return p, open, nil
		}
	}
	return PumpView{}, nil, fmt.Errorf("pump %q: %w", id, ErrNotFound)
}

func badRequest(format string, args ...any) error {
	return &inputError{http.StatusBadRequest, fmt.Sprintf(format, args...)}
}

func parseFeature(name string) (feature.ID, error) {
	var names []string
	for f := range feature.NumFeatures {
		if f.String() == name {
			return f, nil
		}
		names = append(names, f.String())
	}
	return 0, badRequest("feature %q is not known; allowed are %s", name, strings.Join(names, ", "))
}

func timeParameter(query url.Values, key string, otherwise time.Time) (time.Time, error) {
	if !query.Has(key) {
		return otherwise.UTC(), nil
	}
	t, err := time.Parse(time.RFC3339, query.Get(key))
	if err != nil {
		return time.Time{}, badRequest("%s %q is not an RFC 3339 time such as 2026-03-09T10:00:00Z", key, query.Get(key))
	}
	return t.UTC(), nil
}
