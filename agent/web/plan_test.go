package web

import (
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"diastole/agent/plan"
)

// TestPlanForms: one plan in all its forms, with the media types of RFC 7111, RFC 5545 and RFC 8259.
func TestPlanForms(t *testing.T) {
	h := New(newFake(6), http.NotFoundHandler(), slog.New(slog.DiscardHandler)).Handler()
	get := func(path string) (int, string, string) {
		w := httptest.NewRecorder()
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.Host = "127.0.0.1"
		h.ServeHTTP(w, r)
		body, _ := io.ReadAll(w.Result().Body)
		return w.Code, w.Result().Header.Get("Content-Type"), string(body)
	}
	for _, c := range []struct{ path, media, holds string }{
		{"/plan", "text/html", "service manual"},
		{"/plan?weeks=1", "text/html", "Plan until 2026-03-16"},
		{"/api/v1/plan", "application/json", `"shutdowns"`},
		{"/api/v1/plan?format=json", "application/json", `"lead_time_demand"`},
		{"/api/v1/plan?format=text", "text/plain", "PLAN of north-works"},
		{"/api/v1/plan?format=csv", "text/csv", "rebuild,"},
		{"/api/v1/plan?format=ics", "text/calendar", "BEGIN:VCALENDAR\r\n"},
	} {
		code, media, body := get(c.path)
		if code != http.StatusOK || !strings.HasPrefix(media, c.media) || !strings.Contains(body, c.holds) {
			t.Errorf("%s: %d %s, lacks %q:\n%.2000s", c.path, code, media, c.holds, body)
		}
	}
	_, _, body := get("/api/v1/plan")
	var p plan.Plan
	if err := json.Unmarshal([]byte(body), &p); err != nil || len(p.Work) == 0 {
		t.Errorf("%v %+v", err, p)
	}
	for _, path := range []string{"/api/v1/plan?weeks=0", "/api/v1/plan?weeks=x", "/api/v1/plan?service=2", "/api/v1/plan?format=pdf"} {
		if code, media, body := get(path); code != http.StatusBadRequest || !strings.HasPrefix(media, "application/problem+json") {
			t.Errorf("%s: %d %s %s", path, code, media, body)
		}
	}
}
