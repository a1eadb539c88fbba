package web

import (
	"bytes"
	"fmt"
	"net/http"
	"strconv"

	"diastole/agent/plan"
)

// What a plan is made for where the client does not say, and the bounds of what it may ask for.
const (
	planWeeks   = 8
	mostWeeks   = 104
	planService = 0.95
)

// planOf reads weeks and service of a request and makes the plan.
func (s *Server) planOf(r *http.Request) (plan.Plan, error) {
	query := r.URL.Query()
	weeks, service := planWeeks, planService
	var err error
	if query.Has("weeks") {
		if weeks, err = strconv.Atoi(query.Get("weeks")); err != nil || weeks < 1 || weeks > mostWeeks {
			return plan.Plan{}, badRequest("weeks %q is not a whole number from 1 to %d", query.Get("weeks"), mostWeeks)
		}
	}
	if query.Has("service") {
		if service, err = strconv.ParseFloat(query.Get("service"), 64); err != nil || !(service >= 0.5 && service <= 0.9999) {
			return plan.Plan{}, badRequest("service %q is not a probability from 0.5 to 0.9999", query.Get("service"))
		}
	}
	return s.src.Plan(r.Context(), weeks, service)
}

// planForms are the forms in which a plan is given beside JSON, with their media types.
var planForms = map[string]struct {
	media string
	write func(plan.Plan, *bytes.Buffer) error
}{
	"text": {"text/plain; charset=utf-8", func(p plan.Plan, b *bytes.Buffer) error { return p.Text(b) }},
	"csv":  {"text/csv; charset=utf-8; header=present", func(p plan.Plan, b *bytes.Buffer) error { return p.CSV(b) }},
	"ics":  {"text/calendar; charset=utf-8", func(p plan.Plan, b *bytes.Buffer) error { return p.Calendar(b) }},
}

// planAPI answers with the plan as JSON, or in the form that is asked for.
func (s *Server) planAPI() http.Handler {
	asJSON := s.api(func(r *http.Request) (any, error) { return s.planOf(r) })
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := r.URL.Query().Get("format")
		if name == "" || name == "json" {
			asJSON.ServeHTTP(w, r)
			return
		}
		form, known := planForms[name]
		if !known {
			writeProblem(w, s.describe(r, badRequest("format %q is not known; allowed are json, text, csv, ics", name)))
			return
		}
		p, err := s.planOf(r)
		var b bytes.Buffer
		if err == nil {
			err = form.write(p, &b)
		}
		if err != nil {
			writeProblem(w, s.describe(r, err))
			return
		}
		w.Header().Set("Content-Type", form.media)
		if name != "text" {
			w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", "plan."+name))
		}
		_, _ = w.Write(b.Bytes()) // a client that has gone needs no answer
	})
}

// planPage shows the plan.
func (s *Server) planPage(r *http.Request) (rendered, error) {
	p, err := s.planOf(r)
	if err != nil {
		return rendered{}, err
	}
	return render("plan", struct {
		frame
		Plan plan.Plan
	}{s.frame(r, "Plan until "+p.Until, "plan"), p})
}
