// Package plan looks over all pumps of a site and the weeks to come: which pump needs which kit by when, what lies on the shelf, what to order
// and when, and which pumps can share one shutdown. It is pure: what is known goes in, the plan comes out.
package plan

import (
	"cmp"
	"slices"
	"time"

	"diastole/detect/prognose"
	"diastole/model/life"
	"diastole/model/pump"
)

// Pump is what is known of one pump position.
type Pump struct {
	ID, Serial, Model, Liquid, Criticality string
	// Kits are those of the catalogue that fit the pump.
	Kits []pump.KitSpec
	// Needs are its open tickets.
	Needs []Need
	// Duty is how it has run over the last week; zero is not known.
	Duty prognose.Duty
	// Parts are what each kit would renew.
	Parts map[pump.Kit]Part
}

// Need is an open ticket: a kit, and until when.
type Need struct {
	Ticket  string
	Kit     pump.Kit
	Urgency pump.Urgency
	// By is the day on which to act at the latest, or for which the work is scheduled; zero is not known.
	By        time.Time
	Scheduled bool
}

// Part is what a kit renews: what is believed of its life in strokes, and what it has run, where that is known.
type Part struct {
	Belief life.Belief
	Age    float64
	Known  bool
}

// Input is what a plan is made of.
type Input struct {
	Site  string
	Now   time.Time
	Weeks int
	Pumps []Pump
	// Unwatched counts pumps of the installed base that no agent sees, by kit number: they ask for kits too.
	Unwatched map[string]int
	// Used counts kits used since the shelf was counted, by kit number.
	Used map[string]int
	// Service is the probability with which a kit is to be there when it is asked for.
	Service float64
}

// Plan is what is to be done in the weeks to come. Days are of UTC.
type Plan struct {
	Site  string    `json:"site"`
	Made  time.Time `json:"made"`
	Until string    `json:"until"`
	// Work is by pump, the most pressing first; Shutdowns are the same work in groups; Kits is the shelf.
	Work      []Work     `json:"work"`
	Shutdowns []Shutdown `json:"shutdowns"`
	Kits      []Shelf    `json:"kits"`
	Caution   string     `json:"caution"`
}

// Work is one rebuild.
type Work struct {
	Pump      string       `json:"pump"`
	Serial    string       `json:"serial,omitempty"`
	Model     string       `json:"model"`
	Kit       pump.Kit     `json:"kit"`
	KitNumber string       `json:"kit_number,omitempty"`
	By        string       `json:"by,omitempty"`
	Urgency   pump.Urgency `json:"urgency"`
	// Why is ticket, or age where the parts have come to the life of such parts at this site.
	Why    string `json:"why"`
	Ticket string `json:"ticket,omitempty"`
	// Source is shelf, order, or unknown where the catalogue does not count the kit.
	Source string `json:"source"`

	by        time.Time
	scheduled bool
}

// Shutdown is work that can be done in one stop.
type Shutdown struct {
	// On is the day; empty is as soon as can be.
	On    string   `json:"on,omitempty"`
	Pumps []string `json:"pumps"`
	Work  []Work   `json:"work"`
}

// Shelf is one kit of the catalogue.
type Shelf struct {
	KitNumber string   `json:"kit_number"`
	Kit       pump.Kit `json:"kit"`
	Place     string   `json:"place,omitempty"`
	// OnHand is nil where the catalogue does not count the kit.
	OnHand *int `json:"on_hand,omitempty"`
	// Planned is how many the work of this plan takes.
	Planned      int     `json:"planned"`
	LeadTimeDays float64 `json:"lead_time_days,omitempty"`
	// Demand is how many are asked for on average until an order of today arrives, Need the stock that covers that with the service level.
	Demand  float64 `json:"lead_time_demand"`
	Need    int     `json:"reorder_point"`
	Covered float64 `json:"covered"`
	// Order is how many to order, By the day at the latest.
	Order   int    `json:"order"`
	OrderBy string `json:"order_by,omitempty"`
	// Guessed tells that the demand of pumps that nobody watches is part of it, at the average of those that are watched.
	Guessed bool `json:"unwatched_pumps_guessed,omitempty"`
}

const caution = "A plan from measurements and averages, no proof that a pump is safe to open or to run. The pump's own service manual, the site's lockout and permits, and local codes come first."

// Make makes the plan.
func Make(in Input) Plan {
	until := in.Now.AddDate(0, 0, 7*in.Weeks)
	p := Plan{Site: in.Site, Made: in.Now.UTC(), Until: day(until), Caution: caution, Work: []Work{}, Shutdowns: []Shutdown{}, Kits: []Shelf{}}
	for i := range in.Pumps {
		p.Work = append(p.Work, workOf(&in.Pumps[i], in.Now, until)...)
	}
	slices.SortStableFunc(p.Work, func(a, b Work) int {
		return cmp.Or(cmp.Compare(pressing(a.Urgency), pressing(b.Urgency)), compareDays(a.by, b.by), cmp.Compare(a.Pump, b.Pump), cmp.Compare(a.Kit, b.Kit))
	})
	p.Kits = shelves(in, p.Work)
	p.Shutdowns = shutdowns(p.Work, in.Now)
	return p
}

// workOf is what one pump needs until a day: its tickets, and parts that the site's own rebuilds say will be spent.
func workOf(p *Pump, now, until time.Time) []Work {
	var out []Work
	base := Work{Pump: p.ID, Serial: p.Serial, Model: p.Model}
	for _, n := range p.Needs {
		if n.By.After(until) {
			continue
		}
		w := base
		w.Kit, w.Urgency, w.Ticket, w.Why, w.by, w.scheduled = n.Kit, n.Urgency, n.Ticket, "ticket", n.By, n.Scheduled
		w.By, w.KitNumber = day(n.By), p.number(n.Kit)
		out = append(out, w)
	}
	for _, k := range pump.Kits() {
		part, known := p.Parts[k]
		asked := slices.ContainsFunc(p.Needs, func(n Need) bool { return n.Kit == k })
		// General knowledge of lives is too wide to open a pump by; two failures of its own kind are the least.
		if !known || asked || !part.Known || part.Belief.Failures < 2 {
			continue
		}
		const half = 0.5
		by, ok := p.Duty.Time(now, part.Belief.Remaining(part.Age, half))
		if !ok || by.After(until) {
			continue
		}
		w := base
		w.Kit, w.Urgency, w.Why, w.by, w.By, w.KitNumber = k, pump.Planned, "age", by, day(by), p.number(k)
		out = append(out, w)
	}
	return out
}

func (p *Pump) number(k pump.Kit) string {
	for _, s := range p.Kits {
		if s.Kit == k {
			return s.Number
		}
	}
	return ""
}

// together is how far before its day a pump may be opened because others are.
const together = 14 * 24 * time.Hour

// shutdowns groups work: what stops the pump is done at once and alone; the rest is done on the day of the most pressing, with all that falls due
// within two weeks after. Work that a person has scheduled keeps its day; what is without a day is a group of its own.
func shutdowns(work []Work, now time.Time) []Shutdown {
	out := []Shutdown{}
	open := slices.Clone(work)
	slices.SortStableFunc(open, func(a, b Work) int { return compareDays(a.by, b.by) })
	for len(open) > 0 {
		first := open[0]
		s := Shutdown{On: later(first.by, now)}
		var rest []Work
		for i, w := range open {
			joins := first.Urgency != pump.Stop && w.Urgency != pump.Stop && !first.by.IsZero() && !w.by.IsZero() &&
				w.by.Sub(first.by) <= together && (!w.scheduled || day(w.by) == s.On)
			if i == 0 || joins || w.Pump == first.Pump {
				s.Work = append(s.Work, w)
				if !slices.Contains(s.Pumps, w.Pump) {
					s.Pumps = append(s.Pumps, w.Pump)
				}
				continue
			}
			rest = append(rest, w)
		}
		if first.Urgency == pump.Stop {
			s.On = ""
		}
		out = append(out, s)
		open = rest
	}
	return out
}

// later is the day of a time, or today where that has gone by; empty where it is not known.
func later(by, now time.Time) string {
	if by.IsZero() {
		return ""
	}
	if by.Before(now) {
		by = now
	}
	return day(by)
}

func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.DateOnly)
}

func pressing(u pump.Urgency) int {
	return slices.Index([]pump.Urgency{pump.Stop, pump.Soon, pump.Planned}, u)
}

// compareDays puts what has no day last.
func compareDays(a, b time.Time) int {
	if a.IsZero() != b.IsZero() {
		if a.IsZero() {
			return 1
		}
		return -1
	}
	return a.Compare(b)
}
