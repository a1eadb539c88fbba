package watch

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"diastole/agent/event"
	"diastole/detect/feature"
	trade "diastole/model/pump"
)

type kit = trade.Kit

// Rebuilt is what a person says of a rebuild.
type Rebuilt struct {
	By string
	// Ticket is the ticket that it answers; empty: the pump's open one where there is exactly one.
	Ticket string
	Kits   []kit
	// Replaced are components that are new beside those of the kits.
	Replaced []trade.Component
	// Found says how components were found; a component that is not in it was not looked at.
	Found       map[trade.Component]Found
	Note        string
	Photos      []string
	LabourHours float64
	Liquid      string
	Asked       event.Asked

	assumed bool
}

// Found is how a part was found.
type Found struct {
	Condition trade.Condition
	Note      string
}

// Rebuilt records a rebuild of a pump and begins its acceptance. epochs are those that were finished since the rebuild.
func (s *Site) Rebuilt(pump string, r Rebuilt, at time.Time, epochs []feature.Epoch) (event.Rebuild, error) {
	p := s.find(pump)
	if p == nil {
		return event.Rebuild{}, fmt.Errorf("pump %s: %w", pump, ErrNotConfigured)
	}
	var ticket *event.Ticket
	if last := p.book.Rebuild; r.Ticket == "" && last != nil && last.Assumed && last.Judgement == event.Accepting {
		r.Ticket = last.Ticket
	}
	switch open := p.book.Tickets; {
	case r.Ticket == "" && len(open) == 1:
		ticket = &open[0]
	case r.Ticket == "":
	case p.book.has(r.Ticket):
		i := p.book.index(r.Ticket)
		if i < 0 { // it is closed already
			i = slices.IndexFunc(p.book.Done, func(t event.Ticket) bool { return t.Ticket == r.Ticket })
			ticket = &p.book.Done[i]
			break
		}
		ticket = &open[i]
	default:
		return event.Rebuild{}, fmt.Errorf("ticket %s of pump %s: %w", r.Ticket, pump, ErrNotOpen)
	}
	if ticket != nil {
		t := *ticket
		if t.State != event.StateClosed {
			var err error
			if t, err = p.book.act(p.site, p.cfg, t.Ticket, at, Act{Do: event.Close, By: r.By, Outcome: event.Done, Note: r.Note}, &p.out); err != nil {
				return event.Rebuild{}, err
			}
		}
		ticket = &t
	}
	return p.recordRebuild(r, ticket, at, epochs), nil
}

// recordRebuild books a rebuild: what is new begins at zero strokes, what is not goes on. A record that was only assumed, when a
// ticket was closed as done, is made good instead.
func (p *pump) recordRebuild(r Rebuilt, ticket *event.Ticket, at time.Time, epochs []feature.Epoch) event.Rebuild {
	b := &p.book.Body
	last := p.book.Rebuild
	amend := last != nil && last.Assumed && !r.assumed && last.Judgement == event.Accepting && (ticket == nil || ticket.Ticket == last.Ticket)
	rec := event.Rebuild{
		Pump: p.cfg.ID, Serial: b.Serial, Model: p.cfg.Settings.Model.Name, Time: at.UTC(), By: r.By,
		Kits: append([]kit{}, r.Kits...), Note: r.Note, Photos: r.Photos, LabourHours: r.LabourHours, Liquid: r.Liquid, Asked: r.Asked,
		Judgement: event.Accepting, Assumed: r.assumed,
	}
	if ticket != nil {
		rec.Ticket, rec.Fault = ticket.Ticket, ticket.Fault
	}
	if amend {
		rec.Rebuild, rec.Time, rec.Verdicts = last.Rebuild, last.Time, last.Verdicts
		total := b.Strokes // when the record was made, which began the present baseline
		rec.Parts = slices.Clone(last.Parts)
		for i := range rec.Parts { // as it was before the record was assumed
			c := &rec.Parts[i]
			c.Replaced = false
			delete(b.Fitted, c.Component)
			if c.Strokes != nil {
				b.Fitted[c.Component] = total - *c.Strokes
			}
		}
		p.fit(&rec, r, total)
	} else {
		rec.Rebuild = fmt.Sprintf("%s-rebuild-%s", p.cfg.ID, at.UTC().Format("20060102T150405.000Z"))
		p.restart(at, "rebuilt"+strings.TrimSuffix(": ticket "+rec.Ticket, ": ticket "), epochs, true)
		rec.Parts = p.parts(b.Strokes)
		p.fit(&rec, r, b.Strokes)
	}
	p.book.Rebuild = &rec
	p.out.Rebuilds = append(p.out.Rebuilds, rec)
	p.out.Bodies = append(p.out.Bodies, *b)
	about := rec.Rebuild
	if amend {
		about += " amended"
	}
	p.out.emit(p.site, p.cfg.ID, event.RebuildRecorded, rec.Time, about, rec)
	p.collect()
	p.answers(at)
	return *p.book.Rebuild
}

// fit marks what is new when the body had run total strokes.
func (p *pump) fit(rec *event.Rebuild, r Rebuilt, total float64) {
	b := &p.book.Body
	b.Fitted = maps.Clone(b.Fitted)
	if b.Fitted == nil {
		b.Fitted = map[trade.Component]float64{}
	}
	b.Rebuilt = new(total)
	replaced := slices.Clone(r.Replaced)
	for _, k := range r.Kits {
		replaced = append(replaced, p.cfg.Upkeep.Replaces(k)...)
		if n := p.cfg.KitNumbers[k]; n != "" {
			if rec.KitNumbers == nil {
				rec.KitNumbers = map[kit]string{}
			}
			rec.KitNumbers[k] = n
		}
	}
	for i := range rec.Parts {
		c := &rec.Parts[i]
		if f, looked := r.Found[c.Component]; looked {
			c.Found, c.Note = f.Condition, f.Note
		}
		if c.Replaced = slices.Contains(replaced, c.Component); c.Replaced {
			b.Fitted[c.Component] = total
		}
	}
	for _, j := range p.cfg.Upkeep.Joints {
		if j.RetorqueHours > 0 {
			rec.Retorque = append(rec.Retorque, event.Retorque{Joint: j.Joint, RunningHours: j.RetorqueHours})
		}
	}
}
