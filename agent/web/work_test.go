package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"rsc.io/qr"

	"diastole/agent/event"
)

// TestWork holds the API of what is done to pumps: what is right goes through, what is wrong is told with what is allowed.
func TestWork(t *testing.T) {
	src := newFake(6)
	base, _ := startServer(t, src)
	post := func(path, body string, status int, want string) {
		t.Helper()
		answer := send(t, http.MethodPost, base+"/api/v1/"+path, body, map[string]string{"Content-Type": "application/json"})
		if text := answer.text; answer.StatusCode != status || !strings.Contains(text, want) {
			t.Errorf("%s %s: %d %s, want %d with %q", path, body, answer.StatusCode, text, status, want)
		}
	}
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":["wet-end"],"found":[{"component":"balls","condition":"worn","note":"flat"}],"photos":["a.jpg"],"labour_hours":2.5,"liquid":"water","asked":{"restarts":true}}`, 200, `"judgement":"accepting"`)
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":[]}`, 200, `"kits":[]`)
	post("pumps/P-103/rebuilt", `{"kits":[]}`, 422, "by is missing")
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":["wetend"]}`, 422, `kit \"wetend\" is not known; allowed are wet-end, air-end, pilot-valve`)
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":["wet-end","wet-end"]}`, 422, "stands twice")
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":[],"replaced":["marbles"]}`, 422, "allowed are balls")
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":[],"found":[{"component":"balls","condition":"sad"}]}`, 422, "allowed are as-new, worn")
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":[],"found":[{"component":"balls","condition":"worn"},{"component":"balls","condition":"torn"}]}`, 422, "found twice")
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":[],"photos":[" "]}`, 422, "name of a photo")
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":[],"labour_hours":-1}`, 422, "allowed are 0 to 1000")
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":[],"liquid":"gin"}`, 422, "allowed are water, product")
	post("pumps/P-103/rebuilt", `{"by":"AN","kits":[],"at":"yesterday"}`, 400, "JSON that is wanted")
	post("pumps/P-103/swapped", `{"by":"AN","serial":"0008"}`, 200, `"serial":"0008"`)
	post("pumps/P-103/swapped", `{"by":"AN","serial":" "}`, 422, "serial must be")
	post("pumps/P-103/relearn", `{"by":"AN","reason":"another hose","since":"2026-03-09T10:00:00Z"}`, 200, `"since":"2026-03-09T10:00:00Z"`)
	post("pumps/P-103/relearn", `{"by":"AN"}`, 422, "reason is missing")
	post("advisories/A-1/shelve", `{"by":"AN","reason":"strainer ordered","hours":8}`, 200, `"until":"2026-03-09T18:03:12Z"`)
	post("advisories/A-1/shelve", `{"by":"AN","reason":"x"}`, 422, "when the advisory comes back")
	post("advisories/A-1/shelve", `{"by":"AN","hours":8}`, 422, "reason is missing")
	post("advisories/A-1/unshelve", `{}`, 200, "A-1")
	if text := get(t, base+"/api/v1/pumps/P-103/rebuilds").text; strings.Count(text, `"rebuild":`) != 2 {
		t.Errorf("rebuilds: %s", text)
	}
	if answer := get(t, base+"/api/v1/pumps/P-999/rebuilds"); answer.StatusCode != 404 {
		t.Errorf("rebuilds of no pump: %d", answer.StatusCode)
	}
	if text := get(t, base+"/api/v1/stock").text; !strings.Contains(text, `"on_hand":1`) {
		t.Errorf("stock: %s", text)
	}
	body := send(t, http.MethodPost, base+"/api/v1/pumps/P-103/swapped", `{"by":"AN","serial":"0008"}`, map[string]string{"Content-Type": "application/json"}).text
	if strings.Contains(body, `"best"`) {
		t.Errorf("what only the monitor reads is told: %s", body)
	}
}

// TestRebuiltForm follows a person through the form: a mistake is told beside what was entered, then it goes through.
func TestRebuiltForm(t *testing.T) {
	src := newFake(6)
	base, _ := startServer(t, src)
	page := get(t, base+"/pumps/P-103/rebuilt?ticket=T-P-103-0004").text
	for _, want := range []string{`value="wet-end" checked`, "4\u202f200\u202f000", "not known", `name="found-muffler"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the form lacks %s", want)
		}
	}
	post := func(values url.Values) reply {
		return send(t, http.MethodPost, base+"/pumps/P-103/rebuilt", values.Encode(), map[string]string{"Content-Type": "application/x-www-form-urlencoded", "Origin": base})
	}
	values := url.Values{
		"ticket": {"T-P-103-0004"}, "kit": {"wet-end"}, "replaced": {"muffler"}, "found-balls": {"worn"}, "photos": {"one.jpg\r\ntwo.jpg\r\n"},
		"labour_hours": {"two"}, "leaks_dry": {"no"}, "note": {"<b>"}, "by": {"A. Novak"},
	}
	answer := post(values)
	for _, want := range []string{"hours of work &#34;two&#34; is not a number", `value="A. Novak"`, "&lt;b&gt;", `value="muffler" checked`, `value="worn" selected`} {
		if answer.StatusCode != 422 || !strings.Contains(answer.text, want) {
			t.Errorf("status %d, and the page lacks %s", answer.StatusCode, want)
		}
	}
	values.Set("labour_hours", "2,5")
	if answer = post(values); answer.StatusCode != 303 || answer.Header.Get("Location") != "/pumps/P-103" {
		t.Fatalf("%d to %q: %s", answer.StatusCode, answer.Header.Get("Location"), answer.text)
	}
	r := src.rebuilds[0]
	if r.By != "A. Novak" || r.Ticket != "T-P-103-0004" || len(r.Photos) != 2 || r.Asked.LeaksDry == nil || *r.Asked.LeaksDry || r.Asked.Restarts != nil {
		t.Errorf("recorded: %+v", r)
	}
	src.rebuilds[0].Judgement = event.LookAgain
	src.rebuilds[0].Verdicts = []event.Verdict{{Words: "look again: <i>", Judgement: event.LookAgain, Checks: []string{"Listen"}}}
	if page := get(t, base+"/pumps/P-103").text; !strings.Contains(page, "look again: &lt;i&gt;") || !strings.Contains(page, "Listen") {
		t.Error("the pump's page does not show the verdict")
	}
}

// TestQRCode draws what the library encodes, with the quiet zone that ISO/IEC 18004 asks for.
func TestQRCode(t *testing.T) {
	const text = "https://pumps.north-works.example/tickets/T-P-103-0004"
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		t.Fatal(err)
	}
	svg := string(qrCode(text))
	drawn := map[[2]int]bool{}
	_, path, _ := strings.Cut(svg, `class="qrink" d="`)
	path, _, _ = strings.Cut(path, `"`)
	for move := range strings.SplitSeq(strings.TrimSuffix(path, "z"), "z") {
		var x, y, n, m int
		if _, err := fmt.Sscanf(move, "M%d %dh%dv1h-%d", &x, &y, &n, &m); err != nil || n != m {
			t.Fatalf("%q: %v", move, err)
		}
		for i := range n {
			drawn[[2]int{x + i - 4, y - 4}] = true
		}
	}
	for y := -4; y < code.Size+4; y++ {
		for x := -4; x < code.Size+4; x++ {
			if drawn[[2]int{x, y}] != code.Black(x, y) {
				t.Fatalf("module %d,%d is drawn %v", x, y, drawn[[2]int{x, y}])
			}
		}
	}
	if qrCode(strings.Repeat("x", 5000)) != "" {
		t.Error("a text that no QR code holds was drawn")
	}
}
