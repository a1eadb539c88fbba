package watch

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/model/advice"
	trade "diastole/model/pump"
)

var t0 = time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)

// desk is a book with a pump and what it has told.
type desk struct {
	book
	cfg *config.Pump
	out Output
	now time.Time
	// ahead is the outlook that comes with what is found.
	ahead outlook
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	cfg, err := config.Parse("test.yaml", []byte(`
site: north-works
mqtt: {broker: "mqtt://127.0.0.1:1883"}
pumps:
  - id: P-101
    model: generic-one-inch
    serial: "0007"
    condition_at_start: rebuilt
    channels:
      air_inlet_pressure: {topic: a, format: waveform, unit: bar}
      discharge_pressure: {topic: d, format: waveform, unit: bar}
`))
	if err != nil {
		t.Fatal(err)
	}
	p := &cfg.Pumps[0]
	p.KitNumbers = map[trade.Kit]string{trade.WetEnd: "WE-1", trade.AirEnd: "AE-1"}
	return &desk{book: book{Body: firstBody(p)}, cfg: p, now: t0}
}

// find tells the book of a fault, a minute later each time.
func (d *desk) find(k detect.Kind, f trade.Fault, severity float64) {
	d.now = d.now.Add(time.Minute)
	x := detect.Finding{Kind: k, Time: d.now, Key: "rebuild-20260309T100000Z", StrokesRun: 4.2e6, Diagnosis: &diagnose.Diagnosis{
		Likelihood:   diagnose.Likelihood{Fault: f, Side: trade.SideA, Probability: 0.97},
		Alternatives: []diagnose.Likelihood{{Fault: trade.DiaphragmRupture, Probability: 0.02}, {Cause: trade.SuctionAir, Probability: 0.01}},
		Severity:     severity, Since: t0,
		Evidence: []diagnose.Evidence{{Feature: feature.StrokeRate, Expected: 3.10, Observed: 3.62, Sigma: 8.4}},
	}}
	d.fault("north-works", d.cfg, &x, d.ahead, &d.out)
}

func (d *desk) acknowledge(t *testing.T) {
	t.Helper()
	d.now = d.now.Add(time.Minute)
	_, err := d.act("north-works", d.cfg, d.Tickets[0].Ticket, d.now, Act{Do: event.Acknowledge, By: "jo"}, &d.out)
	if err != nil {
		t.Fatal(err)
	}
}

// told is the last event and the ticket in it.
func (d *desk) told(t *testing.T) (event.Type, event.Ticket) {
	t.Helper()
	e := d.out.Events[len(d.out.Events)-1]
	var x event.Ticket
	if err := json.Unmarshal(e.Data, &x); err != nil {
		t.Fatal(err)
	}
	if row := d.out.Tickets[len(d.out.Tickets)-1]; !row.Time.Equal(e.Time) || cmp.Diff(row.Ticket, x) != "" {
		t.Errorf("the stored row is not what was told:\n%s", cmp.Diff(row.Ticket, x))
	}
	return e.Type, x
}

// TestTicketHasTheContractsFields: each field by name, with the unit in its name where it has one, and nothing where nothing is known.
func TestTicketHasTheContractsFields(t *testing.T) {
	d := newDesk(t)
	d.find(detect.FaultRaised, trade.CheckValveLeak, 0.42)
	e := d.out.Events[0]
	if e.SpecVersion != "1.0" || e.Source != "/sites/north-works/pumps/P-101" || e.Type != event.TicketOpened || e.Subject != "P-101" ||
		e.DataContentType != "application/json" || !e.Time.Equal(d.now) || e.ID == "" {
		t.Errorf("envelope %+v", e)
	}
	var got map[string]any
	if err := json.Unmarshal(e.Data, &got); err != nil {
		t.Fatal(err)
	}
	adv := advice.For(trade.CheckValveLeak, trade.SideA, 0.42, true)
	var checks []any
	for _, c := range adv.Checks {
		checks = append(checks, c.String())
	}
	want := map[string]any{
		"ticket": "P-101-rebuild-20260309T100000Z", "pump": "P-101", "serial": "0007", "model": "generic-one-inch", "state": "open",
		"fault": "check-valve-leak", "side": "a", "probability": 0.97,
		"alternatives": []any{
			map[string]any{"fault": "diaphragm-rupture", "probability": 0.02},
			map[string]any{"cause": "suction-air", "probability": 0.01},
		},
		"kit": "wet-end", "kit_number": "WE-1", "strokes_since_rebuild": 4.2e6,
		"suspects": []any{
			"suction ball and seat of the chamber that discharges in stroke A", "discharge ball and seat of the other chamber",
			"side unknown: open all four",
		},
		"urgency": "planned", "ne107": "maintenance-required", "iso14224": "INL", "severity": 0.42, "since": "2026-03-09T10:00:00Z",
		"if_not_done": adv.IfNotDone,
		"evidence": []any{map[string]any{
			"feature": "stroke_rate", "unit": "1/s", "expected": 3.1, "observed": 3.62, "deviation_sigma": 8.4,
			"meaning": "strokes faster than this pressure difference calls for",
		}},
		"cautions": asAny(adv.Cautions), "checks_before_opening": checks,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-contract +told):\n%s", diff)
	}
}

func asAny(list []string) []any {
	out := make([]any, len(list))
	for i, x := range list {
		out[i] = x
	}
	return out
}

// TestUnknownFieldsAreAbsent, not zero or empty.
func TestUnknownFieldsAreAbsent(t *testing.T) {
	d := newDesk(t)
	d.cfg.Serial, d.cfg.KitNumbers, d.cfg.ConditionAtStart = "", nil, "unknown"
	d.cfg.Settings.Learn.AsFound = true
	d.Body = firstBody(d.cfg)
	d.find(detect.FaultRaised, trade.AirValveLeak, 0.1)
	for _, key := range []string{"serial", "kit_number", "bring", "by", "outcome", "flag", "note", "act_by", "remaining", "air_waste", "strokes_since_rebuild"} {
		if strings.Contains(string(d.out.Events[0].Data), `"`+key+`"`) {
			t.Errorf("%s is there, and nobody knows it: %s", key, d.out.Events[0].Data)
		}
	}
}

// TestWithdrawnOnlyBeforeAcknowledgement: afterwards a ticket is flagged, and its flag goes when the evidence comes back.
func TestWithdrawnOnlyBeforeAcknowledgement(t *testing.T) {
	d := newDesk(t)
	d.find(detect.FaultRaised, trade.CheckValveLeak, 0.4)
	d.find(detect.FaultCleared, trade.CheckValveLeak, 0.4)
	if kind, x := d.told(t); kind != event.TicketClosed || x.State != event.StateClosed || x.Outcome != event.Withdrawn || len(d.Tickets) != 0 {
		t.Errorf("%s, %s, %s, %d left", kind, x.State, x.Outcome, len(d.Tickets))
	}

	d = newDesk(t)
	d.find(detect.FaultRaised, trade.CheckValveLeak, 0.4)
	d.acknowledge(t)
	d.find(detect.FaultCleared, trade.CheckValveLeak, 0.4)
	if kind, x := d.told(t); kind != event.TicketUpdated || x.State != event.StateAcknowledged || x.By != "jo" || x.Flag == "" || x.Outcome != "" {
		t.Errorf("%s: %+v", kind, x)
	}
	d.find(detect.FaultRaised, trade.CheckValveLeak, 0.5)
	if kind, x := d.told(t); kind != event.TicketUpdated || x.State != event.StateAcknowledged || x.Flag != "" || len(d.Tickets) != 1 {
		t.Errorf("evidence is back: %s, %s, flag %q, %d tickets", kind, x.State, x.Flag, len(d.Tickets))
	}
}

// TestKitOfAnAcknowledgedTicketStays: somebody has it in the hand. What is needed besides is brought.
func TestKitOfAnAcknowledgedTicketStays(t *testing.T) {
	d := newDesk(t)
	d.find(detect.FaultRaised, trade.CheckValveLeak, 0.4)
	d.find(detect.FaultChanged, trade.AirValveSticking, 0.4)
	if kind, x := d.told(t); kind != event.TicketUpdated || x.Kit != trade.AirEnd || x.KitNumber != "AE-1" || x.Flag != "" {
		t.Errorf("not yet acknowledged: %s, kit %s %s, flag %q", kind, x.Kit, x.KitNumber, x.Flag)
	}
	d.acknowledge(t)
	d.find(detect.FaultChanged, trade.DiaphragmRupture, 1)
	_, x := d.told(t)
	if x.Kit != trade.AirEnd || x.KitNumber != "AE-1" || !slices.Equal(x.Bring, []trade.Kit{trade.WetEnd}) {
		t.Errorf("kit %s %s, bring %v; want the air end kept and the wet end brought, once each", x.Kit, x.KitNumber, x.Bring)
	}
	if x.Fault != trade.DiaphragmRupture || x.Urgency != trade.Stop || !strings.Contains(x.Flag, "wet-end") || x.State != event.StateAcknowledged {
		t.Errorf("fault %s, urgency %s, flag %q, %s", x.Fault, x.Urgency, x.Flag, x.State)
	}
}

// TestARuptureIsNotTalkedDown: signals that look like lesser wear afterwards do not lift the stop.
func TestARuptureIsNotTalkedDown(t *testing.T) {
	d := newDesk(t)
	d.find(detect.FaultRaised, trade.DiaphragmRupture, 0.3)
	_, before := d.told(t)
	d.find(detect.FaultChanged, trade.CheckValveLeak, 0.4)
	_, x := d.told(t)
	if x.Fault != trade.CheckValveLeak || x.Urgency != trade.Stop || x.NE107 != "failure" || !strings.Contains(x.Flag, "diaphragm-rupture") {
		t.Errorf("fault %s, urgency %s, %s, flag %q", x.Fault, x.Urgency, x.NE107, x.Flag)
	}
	if x.Kit != trade.WetEnd || !slices.Equal(x.Bring, []trade.Kit{trade.AirEnd}) || !slices.Equal(x.Cautions, before.Cautions) {
		t.Errorf("kit %s, bring %v, cautions %q", x.Kit, x.Bring, x.Cautions)
	}
	d.find(detect.FaultChanged, trade.CheckValveLeak, 0.8)
	if _, x := d.told(t); x.Urgency != trade.Stop {
		t.Errorf("a second change lifts the stop: %s", x.Urgency)
	}
}

// TestChangesOfAClosedTicketAreNotTold: a person has closed it while the evidence stands.
func TestChangesOfAClosedTicketAreNotTold(t *testing.T) {
	d := newDesk(t)
	d.find(detect.FaultChanged, trade.CheckValveLeak, 0.4)
	d.find(detect.FaultCleared, trade.CheckValveLeak, 0.4)
	if !d.out.Empty() {
		t.Errorf("%+v", d.out)
	}
}

// TestAdvisories are opened once, updated, and closed once; an advisory asks for no kit.
func TestAdvisories(t *testing.T) {
	d := newDesk(t)
	tell := func(k detect.Kind) {
		d.now = d.now.Add(time.Minute)
		x := detect.Finding{Kind: k, Time: d.now, Key: "sensor-fault-20260309T100000Z", Diagnosis: &diagnose.Diagnosis{
			Likelihood: diagnose.Likelihood{Cause: trade.SensorFault, Side: trade.SideUnknown, Probability: 0.9},
			Channel:    "discharge_pressure", Since: t0,
			Evidence: []diagnose.Evidence{{Feature: feature.Ripple, Expected: 0.1, Observed: 0.05, Sigma: -6}},
		}}
		d.cause("north-works", d.cfg, &x, &d.out)
	}
	for _, k := range []detect.Kind{
		detect.CauseChanged, detect.CauseCleared, // of an advisory that does not stand: nothing
		detect.CauseRaised, detect.CauseRaised, detect.CauseChanged, detect.CauseCleared, detect.CauseCleared,
	} {
		tell(k)
	}
	var got []event.Type
	for _, e := range d.out.Events {
		got = append(got, e.Type)
	}
	want := []event.Type{event.AdvisoryOpened, event.AdvisoryUpdated, event.AdvisoryClosed}
	if !slices.Equal(got, want) || len(d.out.Advisories) != 3 || len(d.Advisories) != 0 {
		t.Errorf("%v, %d rows, %d left", got, len(d.out.Advisories), len(d.Advisories))
	}
	var data map[string]any
	if err := json.Unmarshal(d.out.Events[0].Data, &data); err != nil {
		t.Fatal(err)
	}
	wantData := map[string]any{
		"advisory": "P-101-sensor-fault-20260309T100000Z", "pump": "P-101", "cause": "sensor-fault", "channel": "discharge_pressure",
		"probability": 0.9, "since": "2026-03-09T10:00:00Z", "action": advice.ForCause(trade.SensorFault),
		"evidence": []any{map[string]any{
			"feature": "ripple", "unit": "1", "expected": 0.1, "observed": 0.05, "deviation_sigma": -6.0,
			"meaning": "discharge pressure swings less with each stroke than it used to",
		}},
	}
	if diff := cmp.Diff(wantData, data); diff != "" {
		t.Errorf("(-contract +told):\n%s", diff)
	}
}

// TestNumbersAreWhatTheyAreWorth: figures beyond that differ between machines.
func TestNumbersAreWhatTheyAreWorth(t *testing.T) {
	for _, c := range []struct{ in, want float64 }{
		{0, 0}, {123456, 123500}, {3.14159, 3.142}, {-0.000123456, -0.0001235}, {1e-9, 1e-9}, {100, 100}, {99995, 100000},
	} {
		if got := significant(c.in); got != c.want {
			t.Errorf("significant(%v) = %v, want %v", c.in, got, c.want)
		}
	}
	if got := rounded(0.97449); got != 0.974 {
		t.Errorf("rounded: %v", got)
	}
}

// TestSecondLookTakesTheTicketUpAgain: what was verified on the first strokes may still turn out wrong after bedding in, and what was
// called wrong is not called good by a later look.
func TestSecondLookTakesTheTicketUpAgain(t *testing.T) {
	d := newDesk(t)
	d.find(detect.FaultRaised, trade.CheckValveLeak, 0.42)
	id := d.Tickets[0].Ticket
	if _, err := d.act("north-works", d.cfg, id, d.now, Act{Do: event.Close, By: "jo", Outcome: event.Done}, &d.out); err != nil {
		t.Fatal(err)
	}
	p := &pump{site: "north-works", cfg: d.cfg, book: d.book}
	p.book.Rebuild = &event.Rebuild{Rebuild: "R", Pump: d.cfg.ID, Ticket: id, Judgement: event.Accepting}
	look := func(stage string, j event.Judgement) {
		d.now = d.now.Add(time.Hour)
		p.verdict(event.Verdict{Time: d.now, Stage: stage, Judgement: j, Words: "words"})
	}
	look("first", event.AcceptedForNow)
	if x := p.book.Done[0]; x.State != event.StateClosed || x.Outcome != event.Verified || x.Log[len(x.Log)-1].By != "acceptance" {
		t.Errorf("after the first look: %s %s, log %+v", x.State, x.Outcome, x.Log)
	}
	look("bedded-in", event.LookAgain)
	if len(p.book.Done) != 0 || len(p.book.Tickets) != 1 || p.book.Tickets[0].State != event.StateInWork || p.book.Tickets[0].Outcome != "" || p.book.Tickets[0].Flag != "words" {
		t.Errorf("after the second look: done %d, open %+v", len(p.book.Done), p.book.Tickets)
	}
	look("bedded-in", event.Accepted)
	if p.book.Rebuild.Judgement != event.LookAgain || len(p.book.Rebuild.Verdicts) != 2 {
		t.Errorf("judged %s after %d verdicts", p.book.Rebuild.Judgement, len(p.book.Rebuild.Verdicts))
	}
	if len(p.out.Events) != 4 || len(p.out.Rebuilds) != 2 || len(p.out.Tickets) != 2 {
		t.Errorf("%d events, %d rebuilds, %d tickets", len(p.out.Events), len(p.out.Rebuilds), len(p.out.Tickets))
	}
}
