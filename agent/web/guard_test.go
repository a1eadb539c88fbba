package web

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
)

func TestHostHeader(t *testing.T) {
	base, s := startServer(t, newFake(1))
	port := s.Addr()[strings.LastIndex(s.Addr(), ":"):]
	for host, want := range map[string]int{
		"localhost": 200, "localhost" + port: 200, "LOCALHOST" + port: 200, "127.0.0.1" + port: 200, "127.8.9.1": 200,
		"[::1]" + port: 200, "[::1]": 200,
		"evil.example" + port: 421, "localhost.evil.example": 421, "127.0.0.1.evil.example": 421, "192.0.2.1": 421, "0.0.0.0": 421,
	} {
		if got := send(t, http.MethodGet, base+"/", "", map[string]string{"Host": host}).StatusCode; got != want {
			t.Errorf("Host %s: status %d, want %d", host, got, want)
		}
	}
}

// TestChangesNeedOwnOrigin tries the ways in which a foreign page could move a ticket.
func TestChangesNeedOwnOrigin(t *testing.T) {
	const form, data = "application/x-www-form-urlencoded", "application/json"
	src := newFake(6)
	base, _ := startServer(t, src)
	for _, c := range []struct {
		name, path, body string
		header           map[string]string
		want             int
	}{
		{"program, JSON", "/api/v1/tickets/T-P-103-0004/acknowledge", `{"by":"AN"}`, map[string]string{"Content-Type": data}, 200},
		{"program, form", "/tickets/T-P-103-0004/acknowledge", "by=AN", map[string]string{"Content-Type": form}, 403},
		{"no content type", "/api/v1/tickets/T-P-103-0004/acknowledge", `{"by":"AN"}`, nil, 403},
		{"JSON as plain text", "/api/v1/tickets/T-P-103-0004/acknowledge", `{"by":"AN"}`, map[string]string{"Content-Type": "text/plain"}, 403},
		{"own form", "/tickets/T-P-103-0004/acknowledge", "by=AN", map[string]string{"Content-Type": form, "Origin": base}, 303},
		{"own form, newer browser", "/tickets/T-P-103-0004/acknowledge", "by=AN", map[string]string{"Content-Type": form, "Sec-Fetch-Site": "same-origin"}, 303},
		{"foreign form", "/tickets/T-P-103-0004/acknowledge", "by=AN", map[string]string{"Content-Type": form, "Origin": "http://evil.example"}, 403},
		{"foreign form, newer browser", "/tickets/T-P-103-0004/acknowledge", "by=AN", map[string]string{"Content-Type": form, "Sec-Fetch-Site": "cross-site"}, 403},
		{"other port", "/tickets/T-P-103-0004/acknowledge", "by=AN", map[string]string{"Content-Type": form, "Origin": "http://127.0.0.1:1"}, 403},
		{"sandboxed frame", "/tickets/T-P-103-0004/acknowledge", "by=AN", map[string]string{"Content-Type": form, "Origin": "null"}, 403},
		{"foreign JSON", "/api/v1/tickets/T-P-103-0004/close", `{"by":"AN","outcome":"done"}`, map[string]string{"Content-Type": data, "Origin": "http://evil.example"}, 403},
		{"own form to the API", "/api/v1/tickets/T-P-103-0004/acknowledge", "by=AN", map[string]string{"Content-Type": form, "Origin": base}, 415},
	} {
		if got := send(t, http.MethodPost, base+c.path, c.body, c.header); got.StatusCode != c.want {
			t.Errorf("%s: status %d, want %d: %s", c.name, got.StatusCode, c.want, got.text)
		}
	}
	if state := src.tickets[0].State; state != "acknowledged" {
		t.Errorf("the ticket is %s, want acknowledged: a foreign request got through", state)
	}
}

// TestSecurityHeaders wants the same headers on every kind of answer.
func TestSecurityHeaders(t *testing.T) {
	base, _ := startServer(t, newFake(6))
	for _, path := range []string{
		"/", "/pumps/P-103", "/tickets", "/tickets/T-P-103-0004", "/api/v1/pumps", "/static/style.css",
		"/events", "/healthz", "/metrics", "/nowhere", "/api/nowhere",
	} {
		header, _ := stream(t, base+path)
		policy := header.Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'self'", "frame-ancestors 'none'"} {
			if !strings.Contains(policy, want) {
				t.Errorf("%s: policy %q lacks %s", path, policy, want)
			}
		}
		if strings.Contains(policy, "unsafe") {
			t.Errorf("%s: policy %q allows what is inline", path, policy)
		}
		for key, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin"} {
			if got := header.Get(key); got != want {
				t.Errorf("%s: %s is %q, want %q", path, key, got, want)
			}
		}
		if header.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: another site may read the answer", path)
		}
	}
}

// TestMisses wants a method or a path that does not exist told in the form of its side: RFC 9457 for
// programs, a page for people; and Allow with every 405 (RFC 9110, 15.5.6).
func TestMisses(t *testing.T) {
	base, _ := startServer(t, newFake(6))
	own := map[string]string{"Content-Type": "application/json"}
	for _, c := range []struct {
		method, path string
		status       int
		kind, allow  string
	}{
		{"GET", "/nowhere", 404, "text/html; charset=utf-8", ""},
		{"GET", "/pumps/P-999", 404, "text/html; charset=utf-8", ""},
		{"GET", "/tickets/T-0", 404, "text/html; charset=utf-8", ""},
		{"PUT", "/tickets", 405, "text/html; charset=utf-8", "GET, HEAD"},
		{"GET", "/static/nothing.js", 404, "application/problem+json", ""},
		{"GET", "/api/v1/nowhere", 404, "application/problem+json", ""},
		{"GET", "/api/v1/pumps/P-999", 404, "application/problem+json", ""},
		{"GET", "/api/v1/pumps/P-999/trend", 404, "application/problem+json", ""},
		{"GET", "/api/v1/tickets/T-0", 404, "application/problem+json", ""},
		{"DELETE", "/api/v1/pumps", 405, "application/problem+json", "GET, HEAD"},
		{"GET", "/api/v1/tickets/T-P-103-0004/close", 405, "application/problem+json", "POST"},
	} {
		answer := send(t, c.method, base+c.path, "", own)
		if answer.StatusCode != c.status || answer.Header.Get("Content-Type") != c.kind || answer.Header.Get("Allow") != c.allow {
			t.Errorf("%s %s: %d %s Allow %q, want %d %s Allow %q", c.method, c.path, answer.StatusCode,
				answer.Header.Get("Content-Type"), answer.Header.Get("Allow"), c.status, c.kind, c.allow)
		}
		if c.kind == "application/problem+json" {
			var p problemDetails
			if err := json.Unmarshal([]byte(answer.text), &p); err != nil || p.Status != c.status || p.Title == "" || p.Detail == "" {
				t.Errorf("%s %s: problem %+v, error %v", c.method, c.path, p, err)
			}
		}
	}
}

func TestBodyLimit(t *testing.T) {
	base, _ := startServer(t, newFake(6))
	for path, header := range map[string]map[string]string{
		"/api/v1/tickets/T-P-103-0004/close": {"Content-Type": "application/json"},
		"/tickets/T-P-103-0004/close":        {"Content-Type": "application/x-www-form-urlencoded", "Origin": base},
	} {
		body := `{"by":"` + strings.Repeat("a", maxBody) + `"}`
		if got := send(t, http.MethodPost, base+path, body, header).StatusCode; got != 413 {
			t.Errorf("%s: status %d, want 413", path, got)
		}
	}
}
