package demo

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/model/advice"
	"diastole/model/pump"
)

// story tells in plain words what will happen and what happens, and compares it with the plan.
type story struct {
	out   io.Writer
	parts []part

	mu       sync.Mutex
	page     string
	open     map[string]event.Ticket // by id, as last told
	judged   map[string]told         // by pump: the first wrong ticket, or else the first
	complete bool
	err      error // the first of Out
}

// told is a ticket as it was opened, at a time of the plant.
type told struct {
	after time.Duration
	event.Ticket
}

// fate is what the plan had for a pump and what the agent said of it.
type fate struct {
	pump string
	// kit and fault are what the plan asks for; both are empty for a sound pump.
	kit   pump.Kit
	fault pump.Fault
	began time.Duration
	// ticket is nil where there was none.
	ticket *told
}

// right tells whether the pump got what it needs: the right kit after its wear began, or no ticket where nothing is wrong.
func (f fate) right() bool {
	if f.ticket == nil || f.kit == "" {
		return f.ticket == nil && f.kit == ""
	}
	return f.ticket.Kit == f.kit && f.ticket.after >= f.began
}

func newStory(out io.Writer) *story {
	return &story{out: out, parts: parts(), open: map[string]event.Ticket{}, judged: map[string]told{}}
}

// say writes a line.
func (s *story) say(format string, args ...any) {
	if _, err := fmt.Fprintf(s.out, format+"\n", args...); err != nil && s.err == nil {
		s.err = fmt.Errorf("demo: %w", err)
	}
}

// begin says what to open and what will happen.
func (s *story) begin(cfg *config.Config, page, broker string, speed float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.page = "http://" + page + "/"
	s.say("A plant with six pumps is simulated: %s. Nothing in it is real, and wear that takes months takes days.", cfg.Site)
	s.say("")
	s.say("  Open    %s", s.page)
	s.say("  MQTT    mqtt://%s   sensors: works/#   events: diastole/%s/+/events", broker, cfg.Site)
	s.say("")
	s.say("What will happen. %s", pace(speed))
	s.say("  hour %3.0f  the agent has learned how each pump behaves in good order", cfg.Pumps[0].Settings.Learn.For.Hours())
	inTime := slices.SortedStableFunc(slices.Values(s.parts), func(a, b part) int { return cmp.Compare(a.wear.From, b.wear.From) })
	for _, p := range inTime {
		when := "        "
		if p.wear.Fault != "" {
			when = fmt.Sprintf("hour %3.0f", p.wear.From.Hours())
		}
		s.say("  %s  %s %s", when, p.id, p.story)
	}
	s.say("")
	s.say("Close a ticket as done on its page, and the simulator rebuilds the pump; the agent then learns it anew.")
	s.say("A ticket is a suspicion: the pump's own service manual, local codes and licensed practice go before what it says.")
	s.say("Ctrl-C ends it and leaves nothing behind.")
	s.say("")
}

func pace(speed float64) string {
	if speed > 1e6 {
		return "Its hours pass as fast as this machine can simulate them."
	}
	return fmt.Sprintf("An hour there takes %.3g s here.", 1/speed)
}

// events tells what the agent found.
func (s *story) events(events []event.Event) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range events {
		if err := s.event(e); err != nil && s.err == nil {
			s.err = fmt.Errorf("demo: event %s of type %s: %w", e.ID, e.Type, err)
		}
	}
	if !s.complete && s.allRight() {
		s.complete = true
		s.say("\nEvery pump that wears has its ticket, for the kit that it needs. The plant goes on until Ctrl-C.\n")
	}
}

func (s *story) event(e event.Event) error {
	after := e.Time.Sub(start)
	line := func(format string, args ...any) {
		s.say("  hour %5.1f  %s  %s", after.Hours(), e.Subject, fmt.Sprintf(format, args...))
	}
	switch e.Type {
	case event.BaselineLearned:
		line("learned")
	case event.BaselineReset:
		line("is learned anew")
	case event.TicketOpened, event.TicketUpdated, event.TicketClosed:
		var t event.Ticket
		if err := json.Unmarshal(e.Data, &t); err != nil {
			return err
		}
		old := s.open[t.Ticket]
		s.open[t.Ticket] = t
		switch {
		case e.Type == event.TicketClosed:
			line("ticket closed: %s", t.Outcome)
		case t.Fault != old.Fault || t.Kit != old.Kit:
			line("TICKET  %s%s: pull the %s kit (%s)  %stickets/%s", words(string(t.Fault)), stroke(t.Side), t.Kit, t.Urgency, s.page, t.Ticket)
			s.judge(told{after, t})
		case t.State != old.State:
			line("ticket %s by %s", t.State, t.By)
		}
	case event.AdvisoryOpened, event.AdvisoryClosed:
		var a event.Advisory
		if err := json.Unmarshal(e.Data, &a); err != nil {
			return err
		}
		if e.Type == event.AdvisoryClosed {
			line("advisory closed: %s", words(string(a.Cause)))
			return nil
		}
		line("advisory for operations: %s", words(string(a.Cause)))
	}
	return nil
}

// judge keeps the ticket by which a pump's fate is told.
func (s *story) judge(t told) {
	for _, f := range s.fates() {
		if f.pump != t.Pump || !f.right() && f.ticket != nil {
			continue
		}
		first := f.ticket == nil
		if f.ticket = &t; first || !f.right() {
			s.judged[t.Pump] = t
		}
	}
}

func (s *story) fates() []fate {
	all := make([]fate, len(s.parts))
	for i := range s.parts {
		all[i] = s.parts[i].fate()
		if t, ok := s.judged[all[i].pump]; ok {
			all[i].ticket = &t
		}
	}
	return all
}

func (s *story) allRight() bool {
	for _, f := range s.fates() {
		if !f.right() {
			return false
		}
	}
	return true
}

// end compares what was found with what the simulator did.
func (s *story) end(after time.Duration) []fate {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.say("\nAfter %.0f hours of the plant, what the simulator did and what the agent said:", after.Hours())
	all := s.fates()
	for _, f := range all {
		s.say("  %s  %s", f.pump, f.words(after))
	}
	return all
}

// words says how a pump fared.
func (f fate) words(after time.Duration) string {
	did := "sound"
	switch {
	case f.kit != "" && after < f.began:
		did = "sound until now"
	case f.kit != "":
		did = fmt.Sprintf("%s from hour %.0f (%s kit)", words(string(f.fault)), f.began.Hours(), f.kit)
	}
	switch {
	case f.ticket == nil && f.kit != "" && after >= f.began:
		return did + "; no ticket yet"
	case f.ticket == nil:
		return did + "; no ticket"
	}
	verdict := "right"
	if !f.right() {
		verdict = "WRONG"
	}
	return fmt.Sprintf("%s; ticket at hour %.1f for the %s kit: %s", did, f.ticket.after.Hours(), f.ticket.Kit, verdict)
}

// fate is what the plan has for a pump.
func (p *part) fate() fate {
	f := fate{pump: p.id}
	if w := p.wear; w.Fault != "" {
		f.fault, f.began = w.Fault, w.From
		f.kit = advice.For(w.Fault, w.Side, 1, false).Kit
	}
	return f
}

func words(name string) string { return strings.ReplaceAll(name, "-", " ") }

func stroke(s pump.Side) string {
	if s == pump.SideA || s == pump.SideB {
		return ", stroke " + strings.ToUpper(string(s))
	}
	return ""
}
