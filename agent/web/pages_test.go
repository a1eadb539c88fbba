package web

import (
	"bytes"
	"io"
	"regexp"
	"strings"
	"testing"

	"diastole/agent/event"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// TestGoldenTicket fixes the page of a ticket as the server sends it.
func TestGoldenTicket(t *testing.T) {
	base, _ := startServer(t, newFake(6))
	checkGolden(t, "ticket.html", []byte(get(t, base+"/tickets/T-P-103-0004").text))
}

// printed renders a ticket as the file that stands alone, of a pump whose catalogue gives nothing.
func printed(w io.Writer, site string, t event.Ticket) error {
	answer, err := render("ticket", newTicketData(alone(site, t), t, Job{}))
	if err != nil {
		return err
	}
	_, err = w.Write(answer.html)
	return err
}

// TestPrintTicket wants a file that stands alone: it fetches nothing, links nowhere and has no form.
func TestPrintTicket(t *testing.T) {
	var b bytes.Buffer
	if err := printed(&b, "north-works", wornCheckValve); err != nil {
		t.Fatal(err)
	}
	html := b.String()
	for _, unwanted := range []string{"href=", "src=", "<form", "<script", "@import", "url("} {
		if strings.Contains(html, unwanted) {
			t.Errorf("the file holds %s", unwanted)
		}
	}
	checkOrder(t, html, "Pull the wet end kit", "Cautions", "bleed the air line", "service manual",
		"What to pull", "WE-1020-EX", "Where to look", "Suction ball", "Why", "strokes faster", "Check before opening", "Record", "Initials")
}

// TestTicketSafety holds for every fault, kit and urgency, also where the ticket itself brings no
// cautions: the standing ones are there before anything else, and no torque is.
func TestTicketSafety(t *testing.T) {
	torque := regexp.MustCompile(`(?i)\d\s*(n·?m|ft[- ·]?lb|in[- ·]?lb|kgf)\b`)
	for _, fault := range pump.Faults() {
		for _, urgency := range []pump.Urgency{pump.Stop, pump.Soon, pump.Planned} {
			for _, kit := range []pump.Kit{pump.WetEnd, pump.AirEnd, pump.PilotValve} {
				var b bytes.Buffer
				ticket := event.Ticket{Ticket: "T", Pump: "P", Fault: fault, Side: pump.SideUnknown, Urgency: urgency, Kit: kit}
				if err := printed(&b, "site", ticket); err != nil {
					t.Fatal(err)
				}
				checkOrder(t, b.String(), "Pull the "+plain(string(kit))+" kit", "Cautions", "no proof that the pump is safe",
					"service manual", "lockout", "local codes", "What to pull", "open all four")
				page := b.String()[strings.Index(b.String(), "<body>"):]
				if found := torque.FindString(page); found != "" {
					t.Errorf("%s: the ticket prints %q", fault, found)
				}
			}
		}
	}
}

func checkOrder(t *testing.T, text string, wants ...string) {
	t.Helper()
	if start := strings.Index(text, "<body>"); start > 0 {
		text = text[start:]
	}
	for _, want := range wants {
		at := strings.Index(text, want)
		if at < 0 {
			t.Fatalf("%q is missing, or not in its place", want)
		}
		text = text[at:]
	}
}

// TestHostileText puts markup wherever the outside can put text, and wants none of it to come through
// on any page or picture.
func TestHostileText(t *testing.T) {
	const hostile = `"'><script>alert(1)</script><img src=x onerror=alert(1)>{{.}}`
	src := newFake(6)
	p := &src.pumps[2]
	p.ID, p.Serial, p.Model, p.Liquid, p.Unseen = hostile, hostile, hostile, hostile, []string{hostile}
	ticket := wornCheckValve
	ticket.Pump, ticket.Serial, ticket.Model, ticket.By, ticket.KitNumber = hostile, hostile, hostile, hostile, hostile
	ticket.Fault, ticket.Kit, ticket.Side, ticket.Urgency, ticket.ActBy, ticket.NE107 = hostile, hostile, hostile, hostile, hostile, hostile
	ticket.Suspects, ticket.Cautions, ticket.ChecksBeforeOpening = []string{hostile}, []string{hostile}, []string{hostile}
	ticket.IfNotDone, ticket.Note, ticket.Flag = hostile, hostile, hostile
	ticket.Evidence = []event.Evidence{{Feature: hostile, Unit: hostile, Meaning: hostile}}
	ticket.Alternatives = []event.Alternative{{Cause: hostile}}
	src.tickets = []event.Ticket{ticket}
	advisory := event.Advisory{Advisory: hostile, Pump: hostile, Cause: hostile, Channel: hostile, Action: hostile}
	src.advisories = []event.Advisory{advisory}
	p.Advisories = src.advisories
	src.pumps[4].Learning = hostile
	src.health.Conditions = append(src.health.Conditions, Condition{Name: hostile, Text: hostile})
	base, _ := startServer(t, src)
	for _, path := range []string{"/", pumpPath(hostile), "/pumps/P-105", "/tickets", "/tickets/T-P-103-0004", "/nowhere/" + strings.TrimPrefix(pumpPath(hostile), "/pumps/")} {
		answer := get(t, base+path)
		body := answer.text
		if answer.StatusCode != 200 && !strings.HasPrefix(path, "/nowhere") {
			t.Errorf("%s: status %d", path, answer.StatusCode)
		}
		if !strings.Contains(body, "alert(1)") {
			t.Errorf("%s: the text is not shown at all: this test would not see a hole", path)
		}
		for _, unwanted := range []string{"<script>", "<img", `"'>`} {
			if strings.Contains(body, unwanted) {
				t.Errorf("%s: %s came through", path, unwanted)
			}
		}
	}
}

// TestPagesNeedNothingElse wants pages without inline style or script (the policy would block them) and
// without any address outside.
func TestPagesNeedNothingElse(t *testing.T) {
	base, _ := startServer(t, newFake(40))
	inline := regexp.MustCompile(`(?i)<style|\sstyle=|\son[a-z]+=|<script>|https?://|javascript:`)
	for _, path := range []string{"/", "/pumps/P-103", "/tickets", "/tickets/T-P-103-0004", "/nowhere"} {
		if found := inline.FindString(get(t, base+path).text); found != "" {
			t.Errorf("%s holds %q", path, found)
		}
	}
}

// TestSparkCache wants a refresh of the fleet page to cost no trend, new data to cost one once they
// show, and a pump that has learned its baseline to be drawn anew.
func TestSparkCache(t *testing.T) {
	src := newFake(3)
	base, _ := startServer(t, src)
	calls := func(want int) {
		t.Helper()
		src.mu.Lock()
		src.trendCalls = 0
		src.mu.Unlock()
		get(t, base+"/")
		src.mu.Lock()
		defer src.mu.Unlock()
		if src.trendCalls != want {
			t.Errorf("%d trends were read, want %d", src.trendCalls, want)
		}
	}
	calls(3)
	calls(0)
	src.pumps[0].LastData = src.pumps[0].LastData.Add(sparkStep / 2)
	calls(0)
	src.pumps[0].LastData = src.pumps[0].LastData.Add(sparkStep)
	calls(1)
	src.pumps[1].LastData = src.pumps[1].LastData.Add(-sparkStep) // an older snapshot after a restore
	calls(1)
	src.pumps[2].Learning = "0 of 100 h" // a learning pump has no spark
	calls(0)
	src.pumps[2].Learning = ""
	calls(0)
}

func TestStatic(t *testing.T) {
	base, _ := startServer(t, newFake(1))
	for name, kind := range map[string]string{
		"style.css": "text/css; charset=utf-8", "live.js": "text/javascript; charset=utf-8", "mark.svg": "image/svg+xml",
	} {
		answer := get(t, base+"/static/"+name)
		if answer.StatusCode != 200 || answer.Header.Get("Content-Type") != kind || len(answer.text) == 0 {
			t.Errorf("%s: %d %s", name, answer.StatusCode, answer.Header.Get("Content-Type"))
		}
		again := send(t, "GET", base+"/static/"+name, "", map[string]string{"If-None-Match": answer.Header.Get("ETag")})
		if again.StatusCode != 304 {
			t.Errorf("%s: asked again with its ETag: status %d, want 304", name, again.StatusCode)
		}
	}
}

// TestShownUnits converts a value of each kind by hand.
func TestShownUnits(t *testing.T) {
	f := func(got, want string) {
		t.Helper()
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	f(quantities[feature.StrokeRate].number(3.1), "186.0")
	f(quantities[feature.DipWidth].number(0.0315), "31.5")
	f(quantities[feature.AirPerStroke].number(0.0021), "2.10")
	f(quantityOf("asymmetry", "1").number(-0.0071), "−0.7")
	f(quantityOf("new_feature", "K").number(293.15), "293.1500")
	f(quantityOf("new_feature", "K").name, "New feature")
	f(quantityOf("stroke_rate", "Hz").unit, "Hz") // a unit that is not the feature's own is not converted
	f(pressureOf(PumpView{}, feature.Value{V: 455e3, Valid: true}), "4.55")
	f(pressureOf(PumpView{}, feature.Value{V: 455e3}), "–")
	f(pressureOf(PumpView{Stale: true}, feature.Value{V: 455e3, Valid: true}), "–")
	f(percent(0.97), "97\u00a0%")
	f(percent(0.996), "over 99 %")
	f(percent(0.004), "under 1 %")
	f(percent(1), "100\u00a0%")
	f(grouped(4_200_000), "4\u202f200\u202f000")
	f(grouped(999), "999")
	f(sentence(""), "")
}

// TestEveryWordIsKnown wants words for every state, feature and status that exists.
func TestEveryWordIsKnown(t *testing.T) {
	for s := range feature.NumStates {
		if stateWords[s] == "" {
			t.Errorf("state %s has no words", s)
		}
	}
	for f := range feature.NumFeatures {
		if q := quantities[f]; q.name == "" || q.unit == "" || q.factor == 0 {
			t.Errorf("feature %s is not shown", f)
		}
	}
	for _, s := range statuses {
		if s.Word() == "" {
			t.Errorf("status %s has no words", s)
		}
	}
}
