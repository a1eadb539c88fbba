package outlet

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"

	"diastole/agent/store"
)

// Webhook posts each event to an HTTP receiver as a CloudEvents structured-mode message (CloudEvents 1.0,
// HTTP protocol binding 3.2), with the headers of Standard Webhooks 1.0: webhook-id is the event's id, and
// with it the key against repetitions; where a secret is set, webhook-signature signs id, time and body.
type Webhook struct {
	name   string
	url    string
	key    []byte // nil: not signed
	client *http.Client
}

// NewWebhook makes the sender. secret is empty for unsigned posts, "whsec_" and base64 for a key in the
// form of Standard Webhooks, or any other text, whose bytes are then the key.
func NewWebhook(name, address, secret string) (*Webhook, error) {
	u, err := url.Parse(address)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" {
		return nil, fmt.Errorf("webhook %s: url %q is not http://… or https://…", name, address)
	}
	key, err := webhookKey(secret)
	if err != nil {
		return nil, fmt.Errorf("webhook %s: %w", name, err)
	}
	return &Webhook{name: name, url: address, key: key, client: newHTTPClient()}, nil
}

func webhookKey(secret string) ([]byte, error) {
	coded, standard := strings.CutPrefix(secret, "whsec_")
	if !standard {
		return []byte(secret), nil
	}
	key, err := base64.StdEncoding.DecodeString(coded)
	if err != nil || len(key) == 0 {
		return nil, errors.New("the secret begins with whsec_, but what follows is not base64") // never the secret itself
	}
	return key, nil
}

// Name is the receiver's name.
func (w *Webhook) Name() string { return w.name }

// Kinds are events and heartbeats.
func (w *Webhook) Kinds() store.Kinds { return store.KindsOf(store.KindEvent, store.KindHeartbeat) }

// Close gives idle connections up.
func (w *Webhook) Close() { w.client.CloseIdleConnections() }

// Send posts the rows one after the other.
func (w *Webhook) Send(ctx context.Context, rows []store.Row) (done int, err error) {
	for i := range rows {
		if err := w.post(ctx, &rows[i]); err != nil {
			return i, err
		}
	}
	return len(rows), nil
}

func (w *Webhook) post(ctx context.Context, row *store.Row) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url, bytes.NewReader(row.JSON))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/cloudevents+json; charset=utf-8")
	now := time.Now()
	id := row.ID
	if strings.ContainsFunc(id, unicode.IsControl) { // which no header can carry
		id = url.PathEscape(id)
	}
	req.Header.Set("Webhook-Id", id)
	req.Header.Set("Webhook-Timestamp", strconv.FormatInt(now.Unix(), 10))
	if len(w.key) > 0 {
		req.Header.Set("Webhook-Signature", sign(w.key, id, now, row.JSON))
	}
	res, err := w.client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	switch judge(res.StatusCode) {
	case taken:
		// Read to the end, so that the connection can be used again; what it says does not matter.
		_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, 64<<10))
		return nil
	case refused:
		return Permanent(statusError(res))
	default:
		return RetryAfter(statusError(res), parseRetryAfter(res.Header.Get("Retry-After"), now))
	}
}

// sign is the signature of Standard Webhooks 1.0, scheme v1: HMAC-SHA256 over "id.timestamp.body".
func sign(key []byte, id string, at time.Time, body []byte) string {
	mac := hmac.New(sha256.New, key)
	mac.Write(fmt.Appendf(nil, "%s.%d.", id, at.Unix()))
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}
