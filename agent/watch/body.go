package watch

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/detect/feature"
	trade "diastole/model/pump"
)

// firstBody is what the configuration knows of the body before anything else is known.
func firstBody(cfg *config.Pump) event.Body {
	b := event.Body{Body: "at " + cfg.ID, Serial: cfg.Serial, Pump: cfg.ID}
	if cfg.Serial != "" {
		b.Body = cfg.Serial
	}
	if cfg.ConditionAtStart == "new" || cfg.ConditionAtStart == "rebuilt" {
		b.Rebuilt, b.Fitted = new(0.0), map[trade.Component]float64{}
		for _, c := range trade.Components() {
			// A rebuild renews what kits hold; a new pump is new all through.
			if cfg.ConditionAtStart == "new" || slices.ContainsFunc(trade.Kits(), func(k kit) bool { return slices.Contains(k.Replaces(), c) }) {
				b.Fitted[c] = 0
			}
		}
	}
	return b
}

// total is what the body has run since it is watched, strokes.
func (p *pump) total() float64 { return p.book.Body.Strokes + p.monitor.Strokes() }

// parts are the body's components and what they had run when the body had run so many strokes.
func (p *pump) parts(total float64) []event.Part {
	var out []event.Part
	for _, c := range trade.Components() {
		part := event.Part{Component: c, Found: trade.NotLookedAt}
		if at, known := p.book.Body.Fitted[c]; known {
			part.Strokes = new(math.Round(max(0, total-at)))
		}
		out = append(out, part)
	}
	return out
}

// know takes what the store knows of the body that stands here and of its last rebuild.
func (p *pump) know(k Known) {
	for _, b := range k.Bodies {
		if b.Pump == p.cfg.ID {
			if b.Serial == "" { // it has been read off the plate since
				b.Serial = p.cfg.Serial
			}
			p.book.Body = b
		}
	}
	for i := range k.Rebuilds {
		if r := k.Rebuilds[i]; r.Pump == p.cfg.ID && (r.Serial == p.book.Body.Serial || r.Serial == "") && (p.book.Rebuild == nil || !r.Time.Before(p.book.Rebuild.Time)) {
			p.book.Rebuild = &r
		}
	}
	p.standing()
}

// standing lets the pump bear the serial of the body that stands there, which a swap may have changed since the configuration was
// written.
func (p *pump) standing() {
	if p.book.Body.Serial != p.cfg.Serial && p.book.Body.Serial != "" {
		c := *p.cfg
		c.Serial = p.book.Body.Serial
		p.cfg = &c
	}
}

// restart begins a new baseline at a time; epochs are those since, of which what they tell of is folded again.
func (p *pump) restart(at time.Time, reason string, epochs []feature.Epoch, rebuilt bool) {
	b, total := &p.book.Body, p.total()
	if rebuilt {
		p.monitor.Rebuilt(p.monitor.Best())
	} else {
		p.monitor.Relearn()
	}
	b.Best = p.monitor.Best().Encode()
	p.out.emit(p.site, p.cfg.ID, event.BaselineReset, at, "baseline "+reason,
		event.Baseline{Pump: p.cfg.ID, Model: p.cfg.Settings.Model.Name, Reason: reason})
	if len(epochs) > 0 {
		p.monitor.Refold(epochs)
	}
	b.Strokes = total - p.monitor.Strokes()
}

// ErrNotConfigured is what is asked of a pump that the configuration does not have.
var ErrNotConfigured = errors.New("is not configured")

// Relearn begins a new baseline without a rebuild, as after another hose, product or damper, from epochs, those since a time.
func (s *Site) Relearn(pump, reason, by string, since time.Time, epochs []feature.Epoch) (event.Body, error) {
	p := s.find(pump)
	if p == nil {
		return event.Body{}, fmt.Errorf("pump %s: %w", pump, ErrNotConfigured)
	}
	p.restart(since, fmt.Sprintf("relearn by %s: %s", by, reason), epochs, false)
	p.unjudged("the baseline was begun anew before the rebuild was judged: "+reason, since)
	p.out.Bodies = append(p.out.Bodies, p.book.Body)
	p.collect()
	return p.book.Body, nil
}

// Swapped puts another body at a position. stored is what is known of it, nil where it is seen for the first time. The one
// that stood there keeps its strokes and its history.
func (s *Site) Swapped(pump, serial, by string, stored *event.Body, at time.Time) (event.Body, error) {
	p := s.find(pump)
	if p == nil {
		return event.Body{}, fmt.Errorf("pump %s: %w", pump, ErrNotConfigured)
	}
	if p.book.Body.Serial == serial {
		return event.Body{}, fmt.Errorf("body %s stands at %s already: %w", serial, pump, ErrConflict)
	}
	for _, other := range s.pumps {
		if other != p && other.book.Body.Serial == serial {
			return event.Body{}, fmt.Errorf("body %s stands at %s; swap that position first: %w", serial, other.cfg.ID, ErrConflict)
		}
	}
	p.unjudged("another body was put in its place before it was judged", at)
	old := p.book.Body
	old.Strokes, old.Pump, old.Since = p.total(), "", at.UTC()
	if best := p.monitor.Best(); best.Learned() {
		old.Best = best.Encode()
	}
	next := event.Body{Body: serial, Serial: serial}
	if stored != nil {
		next = *stored
	}
	next.Pump, next.Since = pump, at.UTC()
	strokes, best := next.Strokes, next.Best
	p.book.Body, p.book.Rebuild = next, nil
	p.standing()
	for _, t := range slices.Clone(p.book.Tickets) { // they are about the body that has gone
		t.State, t.Outcome, t.By, t.Note = event.StateClosed, event.Rejected, by, "another body was put in its place: serial "+serial
		t.Version++
		t.Log = append(slices.Clone(t.Log), event.LogEntry{Time: at.UTC(), By: by, Did: event.Close, Text: t.Note})
		p.book.tell(p.site, p.cfg, event.TicketClosed, at, t, &p.out)
	}
	p.book.Tickets, p.book.Done = nil, nil
	p.restart(at, fmt.Sprintf("swapped by %s: body %s in place of %s", by, serial, old.Body), nil, false)
	p.book.Body.Strokes, p.book.Body.Best = strokes, best
	p.out.Bodies = append(p.out.Bodies, old, p.book.Body)
	p.collect()
	return p.book.Body, nil
}
