package watch

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/model/advice"
	trade "diastole/model/pump"
)

// book keeps the tickets and advisories of one pump and turns findings and people's acts into events.
type book struct {
	Tickets    []event.Ticket   // those not closed
	Done       []event.Ticket   // the last ones closed as done, verified or not
	Advisories []event.Advisory // those not closed
	// Body is the pump body that stands at the position, Rebuild its last rebuild, nil before the first one.
	Body    event.Body
	Rebuild *event.Rebuild
}

// emit adds an event.
func (o *Output) emit(site, pump string, t event.Type, at time.Time, about string, data any) {
	e, err := event.New(site, pump, t, at, about, data)
	if err != nil { // all data types here are structs of numbers and text: only a NaN could do it
		panic(fmt.Sprintf("BUG: %v", err))
	}
	o.Events = append(o.Events, e)
}

// fault follows a finding about a fault.
func (b *book) fault(site string, p *config.Pump, f *detect.Finding, o outlook, out *Output) {
	id := p.ID + "-" + f.Key
	i := slices.IndexFunc(b.Tickets, func(t event.Ticket) bool { return t.Ticket == id })
	switch f.Kind {
	case detect.FaultRaised, detect.FaultChanged:
		t := ticketOf(p, id, f)
		o.put(&t)
		if b.Body.Rebuilt != nil {
			t.StrokesSinceRebuild = math.Round(b.Body.Strokes + f.StrokesRun - *b.Body.Rebuilt)
		}
		kind := event.TicketUpdated
		switch {
		case i >= 0: // raised: the evidence of a ticket that was only flagged has come back
			t = carryOver(b.Tickets[i], t)
			b.Tickets[i] = t
		case f.Kind == detect.FaultChanged:
			return // closed by a person while the evidence stands
		default:
			b.Tickets = append(b.Tickets, t)
			kind = event.TicketOpened
		}
		out.Tickets = append(out.Tickets, Ticket{f.Time, t})
		out.emit(site, p.ID, kind, f.Time, id, t)
	case detect.FaultWorn:
		if i < 0 || b.Tickets[i].Fault != f.Diagnosis.Fault || !o.news(&b.Tickets[i], f.Time) {
			return
		}
		t := b.Tickets[i]
		o.put(&t)
		b.Tickets[i] = t
		out.Tickets = append(out.Tickets, Ticket{f.Time, t})
		out.emit(site, p.ID, event.TicketUpdated, f.Time, id, t)
	case detect.FaultCleared:
		if i < 0 {
			return
		}
		t := b.Tickets[i]
		if t.State != event.StateOpen { // somebody has taken it on
			t.Flag = "the evidence has gone: look before opening the pump"
			t.Version++
			b.Tickets[i] = t
			out.emit(site, p.ID, event.TicketUpdated, f.Time, id, t)
		} else {
			t.State, t.Outcome = event.StateClosed, event.Withdrawn
			b.Tickets = slices.Delete(b.Tickets, i, i+1)
			out.emit(site, p.ID, event.TicketClosed, f.Time, id, t)
		}
		out.Tickets = append(out.Tickets, Ticket{f.Time, t})
	}
}

// carryOver gives to a ticket's new form what must stay of the old one: what people have made of it, and what is safe.
func carryOver(old, t event.Ticket) event.Ticket {
	t.State, t.By, t.Version, t.ScheduledFor, t.Log = old.State, old.By, old.Version, old.ScheduledFor, old.Log
	if t.Remaining == nil {
		t.Remaining = old.Remaining
	}
	if t.ActBy == "" {
		t.ActBy = old.ActBy
	}
	if old.Urgency == trade.Stop && t.Urgency != trade.Stop {
		t.ActBy = old.ActBy
		// Signals that now look like lesser wear do not mend a diaphragm; only a look at the pump does.
		t.Flag = fmt.Sprintf("%s was suspected before and is not ruled out: look at the exhaust first", trade.DiaphragmRupture)
		t.Urgency, t.NE107, t.Cautions = old.Urgency, old.NE107, old.Cautions
		t.Bring = bringAlso(t.Bring, t.Kit, old.Bring...)
	}
	if old.State != event.StateOpen && t.Kit != old.Kit {
		// Somebody has pulled the kit already. Another one that is now asked for is brought as well.
		t.Flag = strings.TrimPrefix(t.Flag+fmt.Sprintf("; acknowledged for the %s kit, the evidence now asks for the %s kit: bring both", old.Kit, t.Kit), "; ")
		t.Bring = bringAlso([]trade.Kit{t.Kit}, old.Kit, t.Bring...)
		t.Kit, t.KitNumber = old.Kit, old.KitNumber
	}
	if t.Kit != old.Kit || t.Urgency != old.Urgency || t.Flag != old.Flag {
		t.Version++
	}
	return t
}

// bringAlso adds kits to those to bring, each once, and not the one that is pulled anyway.
func bringAlso(bring []trade.Kit, pulled trade.Kit, more ...trade.Kit) []trade.Kit {
	for _, k := range more {
		if k != pulled && !slices.Contains(bring, k) {
			bring = append(bring, k)
		}
	}
	return bring
}

// cause follows a finding about a cause outside the pump.
func (b *book) cause(site string, p *config.Pump, f *detect.Finding, out *Output) {
	id := p.ID + "-" + f.Key
	i := slices.IndexFunc(b.Advisories, func(a event.Advisory) bool { return a.Advisory == id })
	d := f.Diagnosis
	a := event.Advisory{
		Advisory: id, Pump: p.ID, Cause: d.Cause, Channel: d.Channel, Probability: rounded(d.Probability),
		Since: d.Since.UTC(), Evidence: evidenceOf(d), Action: advice.ForCause(d.Cause),
	}
	if s := d.Sensor; s != nil {
		seen, do := advice.Sensor(s.Kind.String(), s.Observed, s.Limit)
		a.Evidence = append(a.Evidence, event.Evidence{
			Feature: s.Kind.String(), Unit: s.Kind.Unit(s.Channel), Expected: significant(s.Limit), Observed: significant(s.Observed), Meaning: seen,
		})
		a.Action = do + " Until it is mended, nothing is learned from this channel or judged by it."
	}
	switch f.Kind {
	case detect.CauseRaised:
		if i >= 0 {
			return
		}
		b.Advisories = append(b.Advisories, a)
		out.emit(site, p.ID, event.AdvisoryOpened, f.Time, id, a)
	case detect.CauseChanged:
		if i < 0 {
			return
		}
		a.Shelved = b.Advisories[i].Shelved
		b.Advisories[i] = a
		if a.Shelved == nil {
			out.emit(site, p.ID, event.AdvisoryUpdated, f.Time, id, a)
		}
	case detect.CauseCleared:
		if i < 0 {
			return
		}
		a.Outcome = event.Done
		b.Advisories = slices.Delete(b.Advisories, i, i+1)
		out.emit(site, p.ID, event.AdvisoryClosed, f.Time, id, a)
	}
	out.Advisories = append(out.Advisories, Advisory{f.Time, a})
}

// ticketOf writes the ticket that a finding asks for.
func ticketOf(p *config.Pump, id string, f *detect.Finding) event.Ticket {
	d := f.Diagnosis
	const sudden = 0.25 // of full size within the epochs that it took to be sure: no wear is that fast
	adv := advice.For(d.Fault, d.Side, d.Severity, f.Kind == detect.FaultRaised && d.Severity > sudden)
	t := event.Ticket{
		Ticket: id, Pump: p.ID, Serial: p.Serial, Model: p.Settings.Model.Name, State: event.StateOpen,
		Fault: d.Fault, Side: d.Side, Probability: rounded(d.Probability),
		Kit: adv.Kit, Bring: adv.Bring, KitNumber: p.KitNumbers[adv.Kit],
		Suspects: adv.Suspects, Urgency: adv.Urgency, NE107: string(adv.NE107), ISO14224: adv.ISO14224,
		Severity: rounded(min(1, max(0, d.Severity))), Since: d.Since.UTC(), IfNotDone: adv.IfNotDone,
		Evidence: evidenceOf(d), Cautions: adv.Cautions,
	}
	for _, a := range d.Alternatives {
		t.Alternatives = append(t.Alternatives, event.Alternative{Fault: a.Fault, Cause: a.Cause, Probability: rounded(a.Probability)})
	}
	for _, c := range adv.Checks {
		t.ChecksBeforeOpening = append(t.ChecksBeforeOpening, c.String())
	}
	return t
}

func evidenceOf(d *diagnose.Diagnosis) []event.Evidence {
	out := make([]event.Evidence, 0, len(d.Evidence))
	for _, e := range d.Evidence {
		out = append(out, event.Evidence{
			Feature: e.Feature.String(), Unit: e.Feature.Unit(),
			Expected: significant(e.Expected), Observed: significant(e.Observed), DeviationSigma: math.Round(e.Sigma*10) / 10,
			Meaning: advice.Meaning(e.Feature.String(), e.Sigma > 0),
		})
	}
	if c := d.Creep; c != nil {
		out = append(out, event.Evidence{
			Feature: "stall_creep", Unit: "1/s", Observed: significant(c.Rate), DeviationSigma: math.Round(c.Sigma*10) / 10,
			Meaning: advice.Meaning("stall_creep", true),
		})
	}
	return out
}

// rounded and significant keep numbers in events to what they are worth: figures beyond it differ between machines
// in their last bits.
func rounded(x float64) float64 { return math.Round(x*1000) / 1000 }

func significant(x float64) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	scale := math.Pow(10, 4-math.Ceil(math.Log10(math.Abs(x))))
	return math.Round(x*scale) / scale
}
