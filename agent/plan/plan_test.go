package plan_test

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/agent/plan"
	"diastole/detect/prognose"
	"diastole/model/life"
	"diastole/model/pump"
)

var now = time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)

func date(month, day int) time.Time {
	return time.Date(2026, time.Month(month), day, 0, 0, 0, 0, time.UTC)
}

// known is a life of which half a dozen failures at about a number of strokes are known.
func known(t testing.TB, strokes float64) life.Belief {
	t.Helper()
	var units []life.Unit
	for _, f := range []float64{.8, .9, 1, 1.05, 1.1, 1.2} {
		units = append(units, life.Unit{Life: f * strokes, Failed: true})
	}
	b, err := life.PriorOf(pump.WetEnd).Posterior(units)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// site is an invented one: a torn diaphragm, two leaks within two weeks, a scheduled job, a part that is old, one that is new.
func site(t testing.TB) plan.Input {
	wet := pump.KitSpec{Kit: pump.WetEnd, Number: "WE-1", LeadTimeDays: 21, Stock: &pump.Stock{OnHand: 3, Place: "bin 12"}}
	air := pump.KitSpec{Kit: pump.AirEnd, Number: "AE-1", LeadTimeDays: 14}
	b := known(t, 8e6)
	p := func(id string, age float64, needs ...plan.Need) plan.Pump {
		return plan.Pump{
			ID: id, Model: "example", Kits: []pump.KitSpec{wet, air}, Needs: needs, Duty: prognose.Duty{PerHour: 12000, PerDay: 100000},
			Parts: map[pump.Kit]plan.Part{pump.WetEnd: {Belief: b, Age: age, Known: age > 0}},
		}
	}
	return plan.Input{
		Site: "north-works", Now: now, Weeks: 8, Service: 0.95, Used: map[string]int{"WE-1": 1},
		Pumps: []plan.Pump{
			p("P-101", 5e6, plan.Need{Ticket: "T1", Kit: pump.WetEnd, Urgency: pump.Planned, By: date(4, 2)}),
			p("P-102", 4e6, plan.Need{Ticket: "T2", Kit: pump.WetEnd, Urgency: pump.Stop, By: date(3, 9)}),
			p("P-103", 1e5, plan.Need{Ticket: "T3", Kit: pump.AirEnd, Urgency: pump.Planned, By: date(3, 28)}),
			p("P-104", 0, plan.Need{Ticket: "T4", Kit: pump.WetEnd, Urgency: pump.Planned, By: date(4, 20), Scheduled: true}),
			p("P-105", 7.5e6),
			p("P-106", 1e5),
			p("P-107", 0, plan.Need{Ticket: "T7", Kit: pump.WetEnd, Urgency: pump.Planned, By: date(12, 1)}),
		},
	}
}

func TestMake(t *testing.T) {
	p := plan.Make(site(t))
	var work []string
	for _, w := range p.Work {
		work = append(work, strings.Join([]string{w.Pump, string(w.Kit), w.By, w.Why, w.Source}, " "))
	}
	old := p.Work[len(p.Work)-1]
	for _, w := range p.Work {
		if w.Pump == "P-105" {
			old = w
		}
	}
	if old.Pump != "P-105" || old.Why != "age" || old.By < "2026-03-10" || old.By > "2026-03-30" {
		t.Errorf("a part of 7.5 million strokes where half are spent at some 8, at 100 000 a day: %+v", old)
	}
	want := []string{
		"P-102 wet-end 2026-03-09 ticket shelf", // what stops the pump has the first claim on the shelf
		"P-105 wet-end " + old.By + " age shelf",
		"P-103 air-end 2026-03-28 ticket unknown",
		"P-101 wet-end 2026-04-02 ticket order",
		"P-104 wet-end 2026-04-20 ticket order",
	}
	if d := cmp.Diff(want, work); d != "" {
		t.Errorf("work (-want +got):\n%s", d)
	}
	var groups []string
	for _, s := range p.Shutdowns {
		groups = append(groups, s.On+" "+strings.Join(s.Pumps, "+"))
	}
	wantGroups := []string{" P-102", old.By + " P-105+P-103", "2026-04-02 P-101", "2026-04-20 P-104"}
	if old.By > "2026-03-19" { // then the leak of P-101 is within two weeks
		wantGroups = []string{" P-102", old.By + " P-105+P-103+P-101", "2026-04-20 P-104"}
	}
	if d := cmp.Diff(wantGroups, groups); d != "" {
		t.Errorf("shutdowns (-want +got):\n%s", d)
	}
	// On the shelf 3 less 1 used; planned are 4; until the lead time ends three tickets of today and P-107's ask for sure.
	s := p.Kits[0]
	if s.KitNumber != "WE-1" || *s.OnHand != 2 || s.Planned != 4 || s.Need < 4 || s.Order != max(s.Need, 4)-2 {
		t.Errorf("shelf %+v", s)
	}
	if s.OrderBy != "2026-03-12" { // 21 days before the work of P-101
		t.Errorf("order by %s", s.OrderBy)
	}
	if a := p.Kits[1]; a.KitNumber != "AE-1" || a.OnHand != nil || a.Order != 0 {
		t.Errorf("a kit that nobody counts: %+v", a)
	}
}

// TestUnwatched: pumps that nobody watches ask at the average of those that are.
func TestUnwatched(t *testing.T) {
	in := site(t)
	before := plan.Make(in).Kits[0]
	in.Unwatched = map[string]int{"WE-1": 20}
	after := plan.Make(in).Kits[0]
	if !after.Guessed || after.Demand <= before.Demand || after.Need <= before.Need || after.Covered >= before.Covered && before.Covered > 0 {
		t.Errorf("with twenty more pumps %+v, was %+v", after, before)
	}
}

// TestNothing: a site without work has an empty plan, with lists that are empty and not missing.
func TestNothing(t *testing.T) {
	p := plan.Make(plan.Input{Site: "s", Now: now, Weeks: 4, Service: 0.95})
	if p.Work == nil || p.Shutdowns == nil || p.Kits == nil || len(p.Work)+len(p.Shutdowns)+len(p.Kits) > 0 {
		t.Errorf("%+v", p)
	}
	var b bytes.Buffer
	if err := p.Text(&b); err != nil || !strings.Contains(b.String(), "No pump needs a kit") {
		t.Errorf("%v %s", err, b.String())
	}
}

func TestText(t *testing.T) {
	var b bytes.Buffer
	if err := plan.Make(site(t)).Text(&b); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	for _, want := range []string{"service manual", "AS SOON AS CAN BE: P-102", "wet-end kit WE-1", "scheduled for 2026-04-20", "to be ordered", "2026-03-12", "not counted"} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	if strings.Index(text, "service manual") > strings.Index(text, "P-102") {
		t.Error("the caution does not come first")
	}
}

func TestCSV(t *testing.T) {
	in := site(t)
	in.Pumps[0].ID = "=P,1\""
	var b bytes.Buffer
	p := plan.Make(in)
	if err := p.CSV(&b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+len(p.Work)+1 || rows[len(rows)-1][0] != "order" || rows[len(rows)-1][5] != "WE-1" {
		t.Errorf("rows %v", rows)
	}
	found := false
	for _, r := range rows {
		found = found || r[1] == "'=P,1\""
		if len(r) != len(rows[0]) {
			t.Errorf("row %v", r)
		}
	}
	if !found {
		t.Error("a name that looks like a formula is not made inert")
	}
}

// unfold undoes RFC 5545's folding and checks what it demands of lines.
func unfold(t interface{ Errorf(string, ...any) }, raw string) []string {
	if !strings.HasSuffix(raw, "\r\n") {
		t.Errorf("the last line does not end")
	}
	for l := range strings.SplitSeq(strings.TrimSuffix(raw, "\r\n"), "\r\n") {
		if len(l) > 75 {
			t.Errorf("a line of %d octets: %q", len(l), l)
		}
		if !utf8.ValidString(l) || strings.ContainsAny(l, "\r\n") {
			t.Errorf("a torn line: %q", l)
		}
	}
	return strings.Split(strings.ReplaceAll(strings.TrimSuffix(raw, "\r\n"), "\r\n ", ""), "\r\n")
}

// TestCalendar: RFC 5545's grammar as far as it is used here.
func TestCalendar(t *testing.T) {
	var b bytes.Buffer
	if err := plan.Make(site(t)).Calendar(&b); err != nil {
		t.Fatal(err)
	}
	lines := unfold(t, b.String())
	if lines[0] != "BEGIN:VCALENDAR" || lines[1] != "VERSION:2.0" || !strings.HasPrefix(lines[2], "PRODID:") || lines[len(lines)-1] != "END:VCALENDAR" {
		t.Errorf("frame %v", lines)
	}
	events, orders := 0, 0
	uids := map[string]bool{}
	for _, l := range lines {
		switch {
		case l == "BEGIN:VEVENT":
			events++
		case strings.HasPrefix(l, "SUMMARY:Order "):
			orders++
		case strings.HasPrefix(l, "UID:"):
			if uids[l] {
				t.Errorf("%s twice", l)
			}
			uids[l] = true
		case strings.HasPrefix(l, "DTSTAMP:") && l != "DTSTAMP:20260309T100000Z":
			t.Error(l)
		}
	}
	if events != len(uids) || events < 3 || orders != 1 {
		t.Errorf("%d events, %d names, %d orders", events, len(uids), orders)
	}
	all := strings.Join(lines, "\n")
	if !strings.Contains(all, "DTSTART;VALUE=DATE:20260420\nDTEND;VALUE=DATE:20260421") {
		t.Errorf("the scheduled day is missing:\n%s", all)
	}
	if strings.Contains(all, "Rebuild P-102") {
		t.Error("what is to be done at once stands in the calendar on some day")
	}
}

// TestCalendarHoldsAnyName: whatever a site calls its pumps, unfolding and unescaping give it back.
func TestCalendarHoldsAnyName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		id := rapid.StringOfN(rapid.RuneFrom([]rune("aZ09-,;\\:\"é水𝄞 \n")), 1, 60, -1).Draw(t, "id")
		in := plan.Input{Site: "s", Now: now, Weeks: 8, Service: 0.95, Pumps: []plan.Pump{{ID: id, Needs: []plan.Need{{Kit: pump.WetEnd, Urgency: pump.Planned, By: date(4, 2)}}}}}
		var b bytes.Buffer
		if err := plan.Make(in).Calendar(&b); err != nil {
			t.Fatal(err)
		}
		for _, l := range unfold(t, b.String()) {
			if s, ok := strings.CutPrefix(l, "SUMMARY:"); ok {
				got := strings.NewReplacer(`\\`, `\`, `\;`, ";", `\,`, ",", `\n`, "\n").Replace(s)
				if got != "Rebuild "+id {
					t.Errorf("%q, want %q", got, "Rebuild "+id)
				}
			}
		}
	})
}
