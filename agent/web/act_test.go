package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
)

func TestActions(t *testing.T) {
	src := newFake(6)
	base, _ := startServer(t, src)
	post := func(path, body string, status int, want string) {
		t.Helper()
		answer := send(t, http.MethodPost, base+"/api/v1/tickets/"+path, body, map[string]string{"Content-Type": "application/json; charset=utf-8"})
		if text := answer.text; answer.StatusCode != status || !strings.Contains(text, want) {
			t.Errorf("%s %s: %d %s, want %d with %q", path, body, answer.StatusCode, text, status, want)
		}
	}
	post("T-P-103-0004/acknowledge", `{"by":"  A. Novak "}`, 200, `"by":"A. Novak"`)
	post("T-P-103-0004/acknowledge", `{}`, 422, "by is missing")
	post("T-P-103-0004/acknowledge", `{"by":"   "}`, 422, "by is missing")
	post("T-P-103-0004/acknowledge", `{"by":"a\u0000b"}`, 422, "plain text")
	post("T-P-103-0004/acknowledge", `{"by":"a\nb"}`, 422, "one line")
	post("T-P-103-0004/acknowledge", `{"by":"AN","outcome":"done"}`, 422, "only by")
	post("T-P-103-0004/acknowledge", `{"by":"AN","who":"x"}`, 400, "who")
	post("T-P-103-0004/acknowledge", `{"by":"AN"}{"by":"MR"}`, 400, "more than one")
	post("T-P-103-0004/acknowledge", `["AN"]`, 400, "JSON that is wanted")
	post("T-P-103-0004/acknowledge", ``, 400, "JSON that is wanted")
	post("T-0/acknowledge", `{"by":"AN"}`, 404, "not found")
	post("T-P-103-0004/schedule", `{"by":"AN"}`, 422, "for must be the day")
	post("T-P-103-0004/schedule", `{"by":"AN","for":"9 March"}`, 422, "for must be the day")
	post("T-P-103-0004/schedule", `{"by":"AN","for":"2026-03-20"}`, 200, `"state":"scheduled"`)
	post("T-P-103-0004/start", `{"by":"AN","for":"2026-03-20"}`, 422, "belongs to scheduling")
	post("T-P-103-0004/start", `{"by":"AN","version":0}`, 409, "version")
	post("T-P-103-0004/start", `{"by":"AN","version":2}`, 200, `"state":"in-work"`)
	post("T-P-103-0004/comment", `{"by":"AN"}`, 422, "note is missing")
	post("T-P-103-0004/comment", `{"by":"AN","note":"seal bought"}`, 200, `"text":"seal bought"`)
	post("T-P-103-0004/verify", `{"by":"AN","outcome":"done"}`, 422, "belongs to closing")
	post("T-P-103-0004/reopen", `{"by":"AN"}`, 404, "nothing at")
	post("T-P-103-0004/close", `{"by":"AN","outcome":"rejected"}`, 422, "why the ticket is rejected")
	post("T-P-103-0004/close", `{"by":"AN"}`, 422, "done or rejected")
	post("T-P-103-0004/close", `{"by":"AN","outcome":"withdrawn"}`, 422, "done or rejected")
	post("T-P-103-0004/close", `{"by":"AN","outcome":"done","note":"`+strings.Repeat("ä", mostNote+1)+`"}`, 422, "longer than 2000")
	post("T-P-103-0004/close", `{"by":"AN","outcome":"done","note":"`+strings.Repeat("ä", mostNote)+`"}`, 200, `"state":"closed"`)
	post("T-P-103-0004/close", `{"by":"AN","outcome":"done"}`, 409, "closed")
}

// TestForms follows what a person does on the page of a ticket.
func TestForms(t *testing.T) {
	src := newFake(6)
	base, _ := startServer(t, src)
	post := func(path string, values url.Values) reply {
		t.Helper()
		return send(t, http.MethodPost, base+path, values.Encode(),
			map[string]string{"Content-Type": "application/x-www-form-urlencoded", "Origin": base})
	}
	page := "/tickets/T-P-103-0004"

	answer := post(page+"/close", url.Values{"by": {"A. Novak"}, "note": {`worn "seat" <b>`}})
	body := answer.text
	for _, want := range []string{"outcome must be done or rejected", `value="A. Novak"`, `worn &#34;seat&#34; &lt;b&gt;</textarea>`} {
		if answer.StatusCode != 422 || !strings.Contains(body, want) {
			t.Errorf("a form with a fault: status %d, and the page lacks %s", answer.StatusCode, want)
		}
	}
	answer = post(page+"/close", url.Values{"by": {"A. Novak"}, "outcome": {"done"}, "note": {"seat worn"}})
	if answer.StatusCode != 303 || answer.Header.Get("Location") != page {
		t.Errorf("closing: %d to %q, want 303 to %s", answer.StatusCode, answer.Header.Get("Location"), page)
	}
	if got := src.tickets[0]; got.State != event.StateClosed || got.Outcome != event.Done || got.By != "A. Novak" {
		t.Errorf("the ticket is %s %s by %q", got.State, got.Outcome, got.By)
	}
	if body := get(t, base+page).text; strings.Count(body, "<form") != 1 || !strings.Contains(body, `action="`+page+`/verify"`) || !strings.Contains(body, "This ticket is closed, done") {
		t.Error("a ticket that is done can be verified, and nothing else")
	}
	if answer := post(page+"/acknowledge", url.Values{"by": {"MR"}}); answer.StatusCode != 409 {
		t.Errorf("acknowledging a closed ticket: status %d, want 409", answer.StatusCode)
	}
	if answer := post("/tickets/T-0/close", url.Values{"by": {"MR"}, "outcome": {"done"}}); answer.StatusCode != 404 {
		t.Errorf("closing a ticket that is not there: status %d, want 404", answer.StatusCode)
	}
}

// FuzzAction feeds bodies to the decoder: what passes keeps its promises and passes again.
func FuzzAction(f *testing.F) {
	f.Add(`{"by":"AN"}`, uint8(0))
	f.Add(`{"by":"AN","for":"2026-03-09"}`, uint8(1))
	f.Add(`{"by":"AN","outcome":"done","note":"seat\nworn","version":3}`, uint8(4))
	f.Add(`{"by":"\u0007"}`, uint8(0))
	f.Add(`{"by":"AN"} x`, uint8(3))
	f.Add("{\"by\":\"\xff\"}", uint8(4))
	f.Fuzz(func(t *testing.T, body string, which uint8) {
		do := personal[int(which)%len(personal)]
		closing := do == event.Close
		a, err := decode[action](strings.NewReader(body))
		if err != nil || a.tidy(do) != nil {
			return
		}
		if closing && a.Outcome == event.Rejected && a.Note == "" {
			t.Error("rejected without a reason passed")
		}
		if a.By == "" || strings.TrimSpace(a.By) != a.By || !utf8.ValidString(a.By) || utf8.RuneCountInString(a.By) > mostName {
			t.Errorf("by %q passed", a.By)
		}
		if closing != (a.Outcome == event.Done || a.Outcome == event.Rejected) {
			t.Errorf("outcome %q passed, closing %t", a.Outcome, closing)
		}
		again, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		b, err := decode[action](strings.NewReader(string(again)))
		if err != nil || b.tidy(do) != nil || !cmp.Equal(a, b) {
			t.Errorf("%+v became %+v (error %v)", a, b, err)
		}
	})
}
