package demo

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"diastole/agent/event"
	"diastole/model/pump"
)

// TestStory tells a story of right and wrong tickets and checks every pump's fate against what the plan has for it.
func TestStory(t *testing.T) {
	var out bytes.Buffer
	s := newStory(&out)
	leak := event.Ticket{Ticket: "1", Pump: "G-201", Fault: pump.CheckValveLeak, Kit: pump.WetEnd, Side: pump.SideA}
	early := event.Ticket{Ticket: "2", Pump: "G-202", Fault: pump.DiaphragmRupture, Kit: pump.WetEnd}
	wrong := event.Ticket{Ticket: "3", Pump: "G-301", Fault: pump.AirValveSticking, Kit: pump.AirEnd}
	none := event.Ticket{Ticket: "4", Pump: "G-101", Fault: pump.PilotValveSlow, Kit: pump.PilotValve}
	s.events([]event.Event{
		ticket(t, event.TicketOpened, 70, leak),
		ticket(t, event.TicketOpened, 20, early),
		ticket(t, event.TicketOpened, 90, wrong),
		ticket(t, event.TicketOpened, 91, none),
	})
	leak.Severity = 0.5
	wrong.Fault, wrong.Kit = pump.PilotValveSlow, pump.PilotValve
	s.events([]event.Event{
		ticket(t, event.TicketUpdated, 80, leak),
		ticket(t, event.TicketUpdated, 95, wrong),
	})
	wrong.Fault, wrong.Kit = pump.AirValveSticking, pump.AirEnd
	s.events([]event.Event{ticket(t, event.TicketUpdated, 99, wrong)})

	right := map[string]bool{"G-101": false, "G-102": true, "G-201": true, "G-202": false, "G-301": false, "G-302": false}
	for _, f := range s.end(100 * time.Hour) {
		if f.right() != right[f.pump] {
			t.Errorf("%s is right: %v; it should be %v (%s)", f.pump, f.right(), right[f.pump], f.words(100*time.Hour))
		}
	}
	text := out.String()
	for _, want := range []string{
		"hour  70.0  G-201  TICKET  check valve leak, stroke A: pull the wet-end kit",
		"hour  95.0  G-301  TICKET  pilot valve slow: pull the pilot-valve kit",
		"G-101  sound; ticket at hour 91.0 for the pilot-valve kit: WRONG",
		"G-102  sound; no ticket",
		"G-201  check valve leak from hour 54 (wet-end kit); ticket at hour 70.0 for the wet-end kit: right",
		"G-302  air valve leak from hour 72 (air-end kit); no ticket yet",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the story does not say %q:\n%s", want, text)
		}
	}
	if n := strings.Count(text, "G-201  TICKET"); n != 1 {
		t.Errorf("a ticket whose severity changed is told %d times; once is enough", n)
	}
	if strings.Contains(text, "Every pump that wears has its ticket") {
		t.Error("it claims that all is right")
	}
}

// TestStoryComplete checks that the end is told once all have their tickets, and not sooner.
func TestStoryComplete(t *testing.T) {
	var out bytes.Buffer
	s := newStory(&out)
	for _, p := range parts() {
		if p.wear.Fault == "" {
			continue
		}
		if strings.Contains(out.String(), "Every pump") {
			t.Fatalf("it says so before %s has its ticket", p.id)
		}
		f := p.fate()
		s.events([]event.Event{ticket(t, event.TicketOpened, 130, event.Ticket{Ticket: p.id, Pump: p.id, Fault: f.fault, Kit: f.kit})})
	}
	if !strings.Contains(out.String(), "Every pump that wears has its ticket") {
		t.Errorf("it does not say that all have come:\n%s", &out)
	}
}
