package watch

import (
	"math"
	"testing"

	"diastole/agent/event"
	"diastole/detect"
	"diastole/model/life"
	trade "diastole/model/pump"
)

// TestTicketSaysWhatIsLeft: the outlook comes with the ticket, is told anew when it changes by enough and not before, and is kept where
// nothing new is known.
func TestTicketSaysWhatIsLeft(t *testing.T) {
	d := newDesk(t)
	d.ahead = outlook{Remaining: &event.Remaining{P10: 90, P50: 210, P90: 480}, ActBy: "2026-03-20", AirWaste: &event.AirWaste{PerHour: 3.1}}
	d.find(detect.FaultRaised, trade.CheckValveLeak, 0.42)
	if x := d.Tickets[0]; x.Remaining == nil || x.Remaining.P50 != 210 || x.ActBy != "2026-03-20" || x.AirWaste.PerHour != 3.1 {
		t.Fatalf("%+v", x)
	}
	told := len(d.out.Events)
	d.ahead.Remaining, d.ahead.ActBy = &event.Remaining{P10: 85, P50: 200, P90: 470}, "2026-03-19"
	d.find(detect.FaultWorn, trade.CheckValveLeak, 0.42)
	if len(d.out.Events) != told {
		t.Error("a little is told")
	}
	d.ahead.Remaining, d.ahead.ActBy = &event.Remaining{P10: 30, P50: 90, P90: 200}, "2026-03-12"
	d.find(detect.FaultWorn, trade.CheckValveLeak, 0.42)
	if x := d.Tickets[0]; len(d.out.Events) != told+1 || x.Remaining.P50 != 90 || x.ActBy != "2026-03-12" || x.Severity != 0.42 {
		t.Errorf("%d events, %+v", len(d.out.Events)-told, x)
	}
	d.ahead = outlook{}
	d.find(detect.FaultChanged, trade.CheckValveLeak, 0.8)
	if x := d.Tickets[0]; x.Remaining == nil || x.Remaining.P50 != 90 || x.ActBy != "2026-03-12" {
		t.Errorf("what was known is gone: %+v", x)
	}
}

// rebuilt is a wet end that was renewed after so many strokes, with its balls as found.
func rebuilt(id string, strokes float64, found trade.Condition, fault trade.Fault) event.Rebuild {
	r := event.Rebuild{Rebuild: id, Pump: "P-101", Model: "generic-one-inch", Fault: fault, Kits: []trade.Kit{trade.WetEnd}}
	for _, c := range trade.WetEnd.Replaces() {
		part := event.Part{Component: c, Replaced: true, Strokes: new(strokes), Found: trade.NotLookedAt}
		if c == trade.Balls {
			part.Found = found
		}
		r.Parts = append(r.Parts, part)
	}
	return r
}

// TestUnitOf: what a rebuild tells of lives.
func TestUnitOf(t *testing.T) {
	for _, c := range []struct {
		what string
		r    event.Rebuild
		want life.Unit
		ok   bool
	}{
		{"worn", rebuilt("1", 4e6, trade.Worn, ""), life.Unit{Life: 4e6, Failed: true}, true},
		{"renewed while good", rebuilt("2", 4e6, trade.AsNew, trade.CheckValveLeak), life.Unit{Life: 4e6}, true},
		{"nobody looked, a ticket asked for it", rebuilt("3", 4e6, trade.NotLookedAt, trade.CheckValveLeak), life.Unit{Life: 4e6, Failed: true}, true},
		{"nobody looked, nobody asked", rebuilt("4", 4e6, trade.NotLookedAt, ""), life.Unit{Life: 4e6}, true},
		{"age not known", event.Rebuild{Parts: []event.Part{{Component: trade.Balls, Replaced: true, Found: trade.Worn}}}, life.Unit{}, false},
	} {
		if got, ok := unitOf(&c.r, trade.WetEnd); got != c.want || ok != c.ok {
			t.Errorf("%s: %+v %v", c.what, got, ok)
		}
	}
	r := rebuilt("5", 4e6, trade.Worn, "")
	if u, ok := unitOf(&r, trade.AirEnd); ok {
		t.Errorf("the wet end tells of the air end: %+v", u)
	}
}

// TestLivesLearn: rebuilds of the same model in the same liquid sharpen the belief, others do not; a corrected record counts once.
func TestLivesLearn(t *testing.T) {
	in := func(string) string { return "caustic" }
	general := NewLives(nil).Belief(trade.WetEnd, "generic-one-inch", in, "caustic")
	l := NewLives(nil)
	for _, id := range []string{"1", "2", "3", "4", "5", "5"} {
		l.add(rebuilt(id, 2e6, trade.Worn, ""))
	}
	b := l.Belief(trade.WetEnd, "generic-one-inch", in, "caustic")
	if b.Failures != 5 || b.Remaining(0, .5) > general.Remaining(0, .5)/2 {
		t.Errorf("%d failures at 2 million strokes, half last %.0f; before any %.0f", b.Failures, b.Remaining(0, .5), general.Remaining(0, .5))
	}
	for _, other := range []life.Belief{
		l.Belief(trade.WetEnd, "generic-two-inch", in, "caustic"), l.Belief(trade.WetEnd, "generic-one-inch", in, "water"),
	} {
		if other.Failures != 0 || math.Abs(other.Remaining(0, .5)-general.Remaining(0, .5)) > 1 {
			t.Errorf("learned from others: %+v", other.Failures)
		}
	}
	l.Runs(trade.WetEnd, "generic-one-inch", "caustic", 9e6)
	if c := l.Belief(trade.WetEnd, "generic-one-inch", in, "caustic"); c.Remaining(0, .5) <= b.Remaining(0, .5) {
		t.Error("a part that has outlived the others by far changes nothing")
	}
}
