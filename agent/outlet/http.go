package outlet

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// httpTimeout bounds one request with its answer.
const httpTimeout = 20 * time.Second

// newHTTPClient makes a client of our own that follows no redirect: a receiver is who the configuration
// says, and a signed or secret-bearing request goes nowhere else.
func newHTTPClient() *http.Client {
	return &http.Client{
		Timeout: httpTimeout,
		CheckRedirect: func(*http.Request, []*http.Request) error {
			return http.ErrUseLastResponse
		},
		Transport: &http.Transport{
			Proxy:                 http.ProxyFromEnvironment,
			DialContext:           (&net.Dialer{Timeout: 10 * time.Second, KeepAlive: 30 * time.Second}).DialContext,
			TLSHandshakeTimeout:   10 * time.Second,
			ResponseHeaderTimeout: httpTimeout,
			IdleConnTimeout:       90 * time.Second,
			ForceAttemptHTTP2:     true,
		},
	}
}

// verdict says what a status of an HTTP receiver means for the row that was sent.
type verdict int

const (
	taken   verdict = iota // confirmed
	tryOn                  // the receiver, the way to it or our credentials are at fault, not the row
	refused                // this row will never be taken
)

// judge sorts the statuses of RFC 9110. A row must not be given up for what the owner of the configuration
// can mend: a wrong address (3xx, 404, 405, 410), missing rights (401, 403, 407), or a receiver that is
// slow, busy or broken (408, 425, 429, 5xx). The other 4xx blame the content.
func judge(status int) verdict {
	switch {
	case status >= 200 && status <= 299:
		return taken
	case status < 400 || status > 499:
		return tryOn
	}
	switch status {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusProxyAuthRequired,
		http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusGone,
		http.StatusRequestTimeout, http.StatusTooEarly, http.StatusTooManyRequests:
		return tryOn
	}
	return refused
}

// parseRetryAfter reads a Retry-After header (RFC 9110, 10.2.3): seconds or an HTTP date; 0 where there is
// none or it is past.
func parseRetryAfter(h string, now time.Time) time.Duration {
	if s, err := strconv.ParseUint(strings.TrimSpace(h), 10, 31); err == nil {
		return time.Duration(s) * time.Second
	}
	if at, err := http.ParseTime(h); err == nil {
		return max(0, at.Sub(now))
	}
	return 0
}

// statusError is the error for an answer that is no confirmation, with the beginning of what it said.
func statusError(res *http.Response) error {
	said, _ := io.ReadAll(io.LimitReader(res.Body, 300)) // what could be read of it is all that is told
	err := fmt.Errorf("the receiver answered %s", res.Status)
	if to := res.Header.Get("Location"); to != "" {
		err = fmt.Errorf("%w, to %q: redirects are not followed", err, to)
	}
	if text := strings.TrimSpace(string(said)); text != "" {
		err = fmt.Errorf("%w: %q", err, text)
	}
	return err
}
