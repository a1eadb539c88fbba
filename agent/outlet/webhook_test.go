package outlet

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"diastole/agent/store"
)

// The example of the Standard Webhooks reference libraries (libraries/go/webhook_test.go, TestWebhookSign,
// of github.com/standard-webhooks/standard-webhooks v0.0.1).
func TestSignatureOfTheReferenceLibrary(t *testing.T) {
	key := must(webhookKey("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"))(t)
	got := sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("signature %s, want %s", got, want)
	}
}

func TestWebhookConfiguration(t *testing.T) {
	for _, bad := range [][2]string{{"", ""}, {"ftp://host/", ""}, {"/path", ""}, {"http://", ""}, {"http://h/", "whsec_"}, {"http://h/", "whsec_not base64 5ecret"}} {
		_, err := NewWebhook("hook", bad[0], bad[1])
		if err == nil {
			t.Errorf("url %q, secret %q were taken", bad[0], bad[1])
		} else if strings.Contains(err.Error(), "5ecret") {
			t.Errorf("the error shows the secret: %v", err)
		}
	}
}

// receiver is a webhook sender and the server that it posts to.
func receiver(t *testing.T, secret string, h http.HandlerFunc) *Webhook {
	t.Helper()
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	w := must(NewWebhook("hook", srv.URL, secret))(t)
	t.Cleanup(w.Close)
	return w
}

func TestWebhookPost(t *testing.T) {
	const secret = "a plain text"
	row := eventRow(1)
	wantID := row.ID
	var calls int
	w := receiver(t, secret, func(_ http.ResponseWriter, r *http.Request) {
		calls++
		body := must(io.ReadAll(r.Body))(t)
		if r.Method != http.MethodPost || r.Header.Get("Content-Type") != "application/cloudevents+json; charset=utf-8" || string(body) != string(row.JSON) {
			t.Errorf("%s %s %s", r.Method, r.Header.Get("Content-Type"), body)
		}
		id, at := r.Header.Get("webhook-id"), must(strconv.ParseInt(r.Header.Get("webhook-timestamp"), 10, 64))(t)
		if id != wantID || time.Since(time.Unix(at, 0)).Abs() > time.Minute {
			t.Errorf("id %q, timestamp %d", id, at)
		}
		if got := r.Header.Get("webhook-signature"); got != sign([]byte(secret), id, time.Unix(at, 0), body) {
			t.Errorf("signature %q", got)
		}
	})
	done, err := w.Send(t.Context(), []store.Row{row, row})
	if done != 2 || err != nil || calls != 2 {
		t.Errorf("%d rows done in %d calls, error %v", done, calls, err)
	}
	row.ID, wantID = "a\r\nInjected: header", "a%0D%0AInjected:%20header"
	if done, err = w.Send(t.Context(), []store.Row{row}); done != 1 || err != nil {
		t.Errorf("an id with a line break: %d, %v", done, err)
	}
}

func TestUnsignedWebhook(t *testing.T) {
	w := receiver(t, "", func(_ http.ResponseWriter, r *http.Request) {
		if s := r.Header.Get("webhook-signature"); s != "" {
			t.Errorf("signature without a secret: %q", s)
		}
	})
	if _, err := w.Send(t.Context(), []store.Row{eventRow(1)}); err != nil {
		t.Error(err)
	}
}

func TestWebhookStatuses(t *testing.T) {
	f := func(status int, want verdict) {
		t.Helper()
		calls := 0
		w := receiver(t, "", func(w http.ResponseWriter, _ *http.Request) {
			calls++
			if calls == 2 {
				w.Header().Set("Location", "/elsewhere")
				w.WriteHeader(status)
				_, _ = io.WriteString(w, "because of this")
			}
		})
		rows := []store.Row{eventRow(1), eventRow(2), eventRow(3)}
		done, err := w.Send(t.Context(), rows)
		switch want {
		case taken:
			if done != 3 || err != nil || calls != 3 {
				t.Errorf("%d: %d rows done, %d calls, error %v", status, done, calls, err)
			}
		default:
			if done != 1 || err == nil || IsPermanent(err) != (want == refused) || calls != 2 {
				t.Errorf("%d: %d rows done, %d calls, error %v", status, done, calls, err)
			} else if !strings.Contains(err.Error(), strconv.Itoa(status)) || !strings.Contains(err.Error(), "because of this") {
				t.Errorf("%d: error %q does not tell what was answered", status, err)
			}
		}
	}
	for _, s := range []int{200, 201, 202} {
		f(s, taken)
	}
	for _, s := range []int{301, 302, 307, 308, 401, 403, 404, 405, 408, 410, 425, 429, 500, 502, 503, 504} {
		f(s, tryOn)
	}
	for _, s := range []int{400, 409, 413, 415, 422} {
		f(s, refused)
	}
}

func TestRetryAfterHeader(t *testing.T) {
	now := time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)
	for h, want := range map[string]time.Duration{
		"": 0, "120": 2 * time.Minute, " 5 ": 5 * time.Second, "-1": 0, "soon": 0, "99999999999": 0,
		"Mon, 09 Mar 2026 10:10:00 GMT": 10 * time.Minute,
		"Mon, 09 Mar 2026 09:00:00 GMT": 0,
	} {
		if got := parseRetryAfter(h, now); got != want {
			t.Errorf("Retry-After %q is %s, want %s", h, got, want)
		}
	}
	w := receiver(t, "", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "77")
		w.WriteHeader(http.StatusServiceUnavailable)
	})
	_, err := w.Send(t.Context(), []store.Row{eventRow(1)})
	if waitAsked(err) != 77*time.Second {
		t.Errorf("wait %s of error %v", waitAsked(err), err)
	}
}

func TestWebhookWithoutReceiver(t *testing.T) {
	srv := httptest.NewServer(http.NotFoundHandler())
	srv.Close()
	w := must(NewWebhook("hook", srv.URL, ""))(t)
	defer w.Close()
	if done, err := w.Send(t.Context(), []store.Row{eventRow(1)}); done != 0 || err == nil || IsPermanent(err) {
		t.Errorf("%d, %v", done, err)
	}
}

func TestWebhookStopsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	release := make(chan struct{})
	w := receiver(t, "", func(http.ResponseWriter, *http.Request) {
		cancel()
		<-release
	})
	_, err := w.Send(ctx, []store.Row{eventRow(1)})
	close(release)
	if !errors.Is(err, context.Canceled) || IsPermanent(err) {
		t.Errorf("error %v", err)
	}
}
