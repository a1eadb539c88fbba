package web

import (
	"mime"
	"net"
	"net/http"
	"strings"
)

// guard puts the checks and headers that every request shares around next.
func guard(next http.Handler) http.Handler {
	crossOrigin := http.NewCrossOriginProtection()
	crossOrigin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, problem(http.StatusForbidden, "the request comes from another site"))
	}))
	return secureHeaders(checkHost(crossOrigin.Handler(checkForm(limitBody(next)))))
}

// contentPolicy allows nothing but our own embedded files; nothing inline, no frame around us.
const contentPolicy = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

func secureHeaders(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		// Not no-referrer: under it a browser posts our own forms with "Origin: null".
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// checkHost refuses requests under a foreign name. Without it a page of an attacker whose name is made
// to resolve to 127.0.0.1 (DNS rebinding) would count as same-origin.
func checkHost(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if h, _, err := net.SplitHostPort(host); err == nil {
			host = h
		}
		host = strings.TrimSuffix(strings.TrimPrefix(strings.ToLower(host), "["), "]")
		if !isLoopback(host) {
			writeProblem(w, problem(http.StatusMisdirectedRequest,
				"this server answers only to localhost and loopback addresses in the Host header"))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// checkForm asks of every request that changes something for a sign that no foreign page can give:
// a browser's statement of origin (judged before), or a JSON body, which a foreign page cannot send
// without a preflight that is never answered.
func checkForm(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		safe := r.Method == http.MethodGet || r.Method == http.MethodHead || r.Method == http.MethodOptions
		stated := r.Header.Get("Origin") != "" || r.Header.Get("Sec-Fetch-Site") != ""
		if !safe && !stated && !isJSON(r) {
			writeProblem(w, problem(http.StatusForbidden,
				"a request that changes something needs Content-Type: application/json, or a browser that states its origin"))
			return
		}
		next.ServeHTTP(w, r)
	})
}

func isJSON(r *http.Request) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return err == nil && kind == "application/json"
}

// maxBody holds the longest note and name with room for their encoding.
const maxBody = 32 << 10

func limitBody(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		next.ServeHTTP(w, r)
	})
}
