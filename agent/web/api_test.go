package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"net/url"
	"strings"
	"testing"
	"time"

	"diastole/agent/event"
	"diastole/detect/feature"
)

// TestGoldenAPI fixes the shape of the answers that programs rely on.
func TestGoldenAPI(t *testing.T) {
	src := newFake(10)
	base, _ := startServer(t, src)
	for name, path := range map[string]string{
		"pump.json":       "/api/v1/pumps/P-103",
		"silent.json":     "/api/v1/pumps/P-110",
		"advisories.json": "/api/v1/advisories",
		"health.json":     "/api/v1/health",
		"ticket.json":     "/api/v1/tickets/T-P-103-0004",
		"cycle.json":      "/api/v1/pumps/P-103/cycle",
		"trend.json":      "/api/v1/pumps/P-103/trend?feature=ripple&from=2026-03-08T00:00:00Z&to=2026-03-09T00:00:00Z&max=3",
	} {
		answer := get(t, base+path)
		if answer.StatusCode != 200 || answer.Header.Get("Content-Type") != "application/json" {
			t.Errorf("%s: %d %s", path, answer.StatusCode, answer.Header.Get("Content-Type"))
			continue
		}
		var pretty bytes.Buffer
		if err := json.Indent(&pretty, []byte(answer.text), "", "  "); err != nil {
			t.Fatal(err)
		}
		checkGolden(t, name, pretty.Bytes())
	}
}

func TestLists(t *testing.T) {
	base, _ := startServer(t, newFake(40))
	count := func(path, key string, want int) {
		t.Helper()
		var answer map[string]json.RawMessage
		if err := json.Unmarshal([]byte(get(t, base+path).text), &answer); err != nil {
			t.Fatal(err)
		}
		var list []json.RawMessage
		if err := json.Unmarshal(answer[key], &list); err != nil || list == nil || len(list) != want {
			t.Errorf("%s: %d %s, want %d (error %v)", path, len(list), key, want, err)
		}
	}
	count("/api/v1/pumps", "pumps", 40)
	count("/api/v1/tickets", "tickets", 2)
	count("/api/v1/tickets?open=true", "tickets", 2)
	base, _ = startServer(t, newFake(1))
	count("/api/v1/tickets", "tickets", 0) // an empty list, not null
	count("/api/v1/advisories", "advisories", 0)
}

func TestBadQueries(t *testing.T) {
	base, _ := startServer(t, newFake(6))
	for path, want := range map[string]string{
		"/api/v1/tickets?open=perhaps":                                                "true or false",
		"/api/v1/pumps/P-103/trend?feature=torque":                                    "allowed are stroke_rate, asymmetry",
		"/api/v1/pumps/P-103/trend?from=yesterday":                                    "RFC 3339",
		"/api/v1/pumps/P-103/trend?to=2026-13-01T00:00:00Z":                           "RFC 3339",
		"/api/v1/pumps/P-103/trend?max=0":                                             "from 1 to 5000",
		"/api/v1/pumps/P-103/trend?max=5001":                                          "from 1 to 5000",
		"/api/v1/pumps/P-103/trend?max=99999999999999999999":                          "from 1 to 5000",
		"/api/v1/pumps/P-103/trend?from=2026-03-09T00:00:00Z&to=2026-03-01T00:00:00Z": "before from",
		"/pumps/P-103?span=eon":                                                       "allowed are 1d, 7d, 30d, 90d, 1y",
	} {
		answer := get(t, base+path)
		if body := answer.text; answer.StatusCode != 400 || !strings.Contains(body, want) {
			t.Errorf("%s: %d %s, want 400 with %q", path, answer.StatusCode, body, want)
		}
	}
}

// TestOddNames reaches a pump whose name needs escaping, by the links that the page itself makes.
func TestOddNames(t *testing.T) {
	src := newFake(40)
	base, _ := startServer(t, src)
	odd := src.pumps[30].ID
	if !strings.Contains(get(t, base+"/").text, `href="`+strings.ReplaceAll(pumpPath(odd), "&", "&amp;")) &&
		!strings.Contains(get(t, base+"/").text, `href="/pumps/P-1%2F3`) {
		t.Error("the fleet page has no link to the pump")
	}
	for _, path := range []string{pumpPath(odd), "/api/v1" + pumpPath(odd), "/api/v1/pumps/" + url.PathEscape(odd) + "/trend"} {
		if got := get(t, base+path).StatusCode; got != 200 {
			t.Errorf("%s: status %d, want 200", path, got)
		}
	}
}

// TestNumbersThatJSONLacks wants a value that is not finite left out, never an answer that breaks off.
func TestNumbersThatJSONLacks(t *testing.T) {
	src := newFake(1)
	src.pumps[0].Statistic = math.Inf(1)
	src.pumps[0].Inlet.V = math.NaN()
	src.pumps[0].Readings[feature.Ripple].Value = math.NaN()
	base, _ := startServer(t, src)
	answer := get(t, base+"/api/v1/pumps/P-101")
	body := answer.text
	if answer.StatusCode != 200 || strings.Contains(body, "air_inlet_pressure_pa") || strings.Contains(body, `"statistic"`) {
		t.Errorf("%d %s", answer.StatusCode, body)
	}
	for _, path := range []string{"/", "/pumps/P-101"} {
		answer := get(t, base+path)
		if body := answer.text; answer.StatusCode != 200 || strings.Contains(body, "NaN") || strings.Contains(body, "Inf") {
			t.Errorf("%s: status %d, or a NaN on the page", path, answer.StatusCode)
		}
	}
}

// TestOwnFaultsStayInTheLog wants a failure of the agent answered without its particulars.
func TestOwnFaultsStayInTheLog(t *testing.T) {
	src := newFake(6)
	src.err = errors.New("open /var/lib/diastole/state.db: disk I/O error")
	base, _ := startServer(t, src)
	for _, path := range []string{"/", "/pumps/P-103", "/tickets", "/api/v1/pumps", "/api/v1/tickets", "/api/v1/advisories"} {
		answer := get(t, base+path)
		if body := answer.text; answer.StatusCode != 500 || strings.Contains(body, "state.db") {
			t.Errorf("%s: %d %s", path, answer.StatusCode, body)
		}
	}
}

// TestTrendFails wants the fleet page to show every pump though no trend can be read.
func TestTrendFails(t *testing.T) {
	src := newFake(3)
	src.trendErr = errors.New("disk I/O error")
	base, _ := startServer(t, src)
	answer := get(t, base+"/")
	if answer.StatusCode != 200 || strings.Count(answer.text, "not readable:") != 3 || !strings.Contains(answer.text, "P-103") {
		t.Errorf("status %d, and %d of 3 trends say that they failed", answer.StatusCode, strings.Count(answer.text, "not readable:"))
	}
}

// TestJudge holds the order of the judgements: a ticket outlasts silence, silence hides all that comes
// from data, and learning hides nothing that is wrong now.
func TestJudge(t *testing.T) {
	ticket := func(signal string) []event.Ticket { return []event.Ticket{{Pump: "P-1", NE107: signal}} }
	healthy := PumpView{ID: "P-1", State: feature.Running, LastData: time.Unix(1, 0)}
	with := func(change func(p *PumpView)) PumpView { p := healthy; change(&p); return p }
	for _, c := range []struct {
		name string
		pump PumpView
		open []event.Ticket
		want Status
	}{
		{"healthy", healthy, nil, Good},
		{"stalled is no fault", with(func(p *PumpView) { p.State = feature.Stalled }), nil, Good},
		{"off is no fault", with(func(p *PumpView) { p.State = feature.Off }), nil, Good},
		{"learning", with(func(p *PumpView) { p.Learning = "1 of 100 h" }), nil, FunctionCheck},
		{"dry while learning", with(func(p *PumpView) { p.Learning, p.State = "1 of 100 h", feature.Dry }), nil, OutOfSpecification},
		{"not stroking", with(func(p *PumpView) { p.State = feature.NotStroking }), nil, OutOfSpecification},
		{"advisory", with(func(p *PumpView) { p.Advisories = []event.Advisory{{}} }), nil, OutOfSpecification},
		{"silent and dry", with(func(p *PumpView) { p.Stale, p.State = true, feature.Dry }), nil, NoData},
		{"never heard", PumpView{ID: "P-1"}, nil, NoData},
		{"ticket", healthy, ticket("maintenance-required"), MaintenanceRequired},
		{"ticket without a signal", healthy, ticket(""), MaintenanceRequired},
		{"silent with a ticket", with(func(p *PumpView) { p.Stale = true }), ticket("failure"), Failure},
		{"the worse of two", healthy, append(ticket("maintenance-required"), ticket("out-of-specification")...), OutOfSpecification},
		{"another pump's ticket", healthy, []event.Ticket{{Pump: "P-2", NE107: "failure"}}, Good},
	} {
		if got := judge(c.pump, c.open); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}
