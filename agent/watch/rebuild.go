package watch

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/detect"
	"diastole/detect/accept"
	"diastole/detect/feature"
	"diastole/model/advice"
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

// resume begins the acceptance anew that a lost snapshot has taken with it, before the epochs since are folded again.
func (p *pump) resume() {
	if r := p.book.Rebuild; r != nil && (r.Judgement == event.Accepting || r.Judgement == event.AcceptedForNow) {
		// What cannot be read is as if it were not known: the rebuild is judged by what pumps in general do.
		best, _ := detect.DecodeHealthy(p.book.Body.Best)
		p.monitor.Rebuilt(best)
	}
}

// catchUp tells the verdicts that folding the epochs gave again and that the store does not have.
func (p *pump) catchUp(folded *event.Rebuild) {
	r := p.book.Rebuild
	if folded == nil || r == nil || folded.Rebuild != r.Rebuild {
		return
	}
	for _, v := range folded.Verdicts[min(len(r.Verdicts), len(folded.Verdicts)):] {
		p.verdict(v)
	}
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
		total := p.total()
		for _, e := range epochs {
			total -= float64(e.Strokes)
		}
		rec.Parts = p.parts(total)
		p.fit(&rec, r, total)
		p.restart(at, "rebuilt"+strings.TrimSuffix(": ticket "+rec.Ticket, ": ticket "), total, epochs, true)
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

// restart begins a new baseline at a time, when the body had run total strokes; epochs are those since.
func (p *pump) restart(at time.Time, reason string, total float64, epochs []feature.Epoch, rebuilt bool) {
	b := &p.book.Body
	if rebuilt {
		p.monitor.Rebuilt(p.monitor.Best())
	} else {
		p.monitor.Relearn()
	}
	b.Strokes = total
	b.Best = p.monitor.Best().Encode()
	p.out.emit(p.site, p.cfg.ID, event.BaselineReset, at, "baseline "+reason,
		event.Baseline{Pump: p.cfg.ID, Model: p.cfg.Settings.Model.Name, Reason: reason})
	if len(epochs) > 0 {
		p.monitor.Refold(epochs)
	}
}

// ErrNotConfigured is what is asked of a pump that the configuration does not have.
var ErrNotConfigured = errors.New("is not configured")

// Relearn begins a new baseline without a rebuild, as after another hose, product or damper, from epochs, those since a time.
func (s *Site) Relearn(pump, reason, by string, since time.Time, epochs []feature.Epoch) (event.Body, error) {
	p := s.find(pump)
	if p == nil {
		return event.Body{}, fmt.Errorf("pump %s: %w", pump, ErrNotConfigured)
	}
	total := p.total()
	for _, e := range epochs {
		total -= float64(e.Strokes)
	}
	p.restart(since, fmt.Sprintf("relearn by %s: %s", by, reason), total, epochs, false)
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
	p.restart(at, fmt.Sprintf("swapped by %s: body %s in place of %s", by, serial, old.Body), strokes, nil, false)
	p.book.Body.Best = best
	p.out.Bodies = append(p.out.Bodies, old, p.book.Body)
	p.collect()
	return p.book.Body, nil
}

// unjudged ends an acceptance that cannot be finished.
func (p *pump) unjudged(words string, at time.Time) {
	r := p.book.Rebuild
	if r == nil || r.Judgement != event.Accepting && r.Judgement != event.AcceptedForNow {
		return
	}
	p.verdict(event.Verdict{Time: at.UTC(), Stage: "first", Judgement: event.NotJudged, Words: words})
}

// answers judges by what a person has said that no sensor sees: a leak outside or a pump that does not start again is no
// good rebuild, whatever the strokes look like.
func (p *pump) answers(at time.Time) {
	r := p.book.Rebuild
	m, wrong := accept.Asked(r.Asked.Restarts, r.Asked.LeaksDry, r.Asked.LeaksWet)
	if !wrong || r.Judgement == event.LookAgain {
		return
	}
	p.verdict(event.Verdict{
		Time: at.UTC(), Stage: "first", Judgement: event.LookAgain, Mistake: string(m), Probability: 1,
		Against: "what was seen at the start", Words: "look again: " + m.Words(), Checks: m.Checks(),
	})
}

// judged follows a finding about the acceptance of the last rebuild.
func (p *pump) judged(f *detect.Finding) {
	if p.book.Rebuild == nil {
		return // the body has been swapped since
	}
	v := f.Verdict
	out := event.Verdict{
		Time: f.Time.UTC(), Stage: string(v.Stage), Probability: rounded(v.Probability), Against: v.Against, Words: v.Words(), Judgement: event.NotJudged,
	}
	switch {
	case v.Mistake != "":
		out.Judgement, out.Mistake, out.Checks = event.LookAgain, string(v.Mistake), v.Mistake.Checks()
	case v.Good && v.Stage == accept.First:
		out.Judgement = event.AcceptedForNow
	case v.Good:
		out.Judgement = event.Accepted
	}
	for _, e := range v.Evidence {
		out.Evidence = append(out.Evidence, event.Evidence{
			Feature: e.Feature.String(), Unit: e.Feature.Unit(), Expected: significant(e.Expected), Observed: significant(e.Observed),
			DeviationSigma: math.Round(e.Sigma*10) / 10, Meaning: advice.Meaning(e.Feature.String(), e.Sigma > 0),
		})
	}
	p.verdict(out)
}

// verdict books a verdict of the last rebuild and moves its ticket: verified where the pump is as it should be, in work again where
// it is not. A person's word that the pump leaks stands against a good verdict of the sensors.
func (p *pump) verdict(v event.Verdict) {
	r := *p.book.Rebuild
	if r.Judgement == event.LookAgain && v.Judgement != event.LookAgain {
		return
	}
	r.Verdicts = append(slices.Clone(r.Verdicts), v)
	r.Judgement = v.Judgement
	p.book.Rebuild = &r
	p.out.Rebuilds = append(p.out.Rebuilds, r)
	p.out.emit(p.site, p.cfg.ID, event.RebuildJudged, v.Time, fmt.Sprintf("%s verdict %d", r.Rebuild, len(r.Verdicts)), r)
	i := slices.IndexFunc(p.book.Done, func(t event.Ticket) bool { return t.Ticket == r.Ticket })
	if i < 0 {
		return
	}
	t := p.book.Done[i]
	entry := event.LogEntry{Time: v.Time, By: "acceptance", Text: v.Words}
	switch v.Judgement {
	case event.AcceptedForNow, event.Accepted:
		t.Outcome, entry.Did = event.Verified, event.Verify
	case event.LookAgain:
		t.State, t.Outcome, t.Flag, entry.Did = event.StateInWork, "", v.Words, event.Reopen
		p.book.Tickets = append(p.book.Tickets, t)
	default:
		return
	}
	t.Version++
	t.Log = append(slices.Clone(t.Log), entry)
	p.book.Done = slices.Delete(p.book.Done, i, i+1)
	if j := p.book.index(t.Ticket); j >= 0 {
		p.book.Tickets[j] = t
	}
	p.book.tell(p.site, p.cfg, event.TicketUpdated, v.Time, t, &p.out)
}
