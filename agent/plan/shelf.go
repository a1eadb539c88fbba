package plan

import (
	"cmp"
	"math"
	"slices"
	"time"

	"diastole/model/life"
	"diastole/model/pump"
)

// shelves looks at each kit of the catalogue that fits a pump, and gives the work its source.
func shelves(in Input, work []Work) []Shelf {
	var specs []pump.KitSpec
	for _, p := range in.Pumps {
		for _, k := range p.Kits {
			if k.Number != "" && !slices.ContainsFunc(specs, func(s pump.KitSpec) bool { return s.Number == k.Number }) {
				specs = append(specs, k)
			}
		}
	}
	slices.SortStableFunc(specs, func(a, b pump.KitSpec) int {
		return cmp.Or(cmp.Compare(slices.Index(pump.Kits(), a.Kit), slices.Index(pump.Kits(), b.Kit)), cmp.Compare(a.Number, b.Number))
	})
	out := []Shelf{}
	for _, s := range specs {
		out = append(out, shelfOf(in, s, work))
	}
	for i := range work {
		if work[i].Source == "" {
			work[i].Source = "unknown"
		}
	}
	return out
}

// shelfOf counts one kit.
func shelfOf(in Input, spec pump.KitSpec, work []Work) Shelf {
	s := Shelf{KitNumber: spec.Number, Kit: spec.Kit, LeadTimeDays: spec.LeadTimeDays}
	each, guess := asks(in, spec)
	demand, err := life.DemandOf(each, guess)
	if err != nil { // probabilities and counts that were made here
		panic("BUG: " + err.Error())
	}
	s.Guessed = guess > 0
	s.Demand, s.Need = math.Round(100*demand.Mean())/100, demand.StockFor(in.Service)
	left := 0
	if spec.Stock != nil {
		s.Place = spec.Stock.Place
		left = max(0, spec.Stock.OnHand-in.Used[spec.Number])
		onHand := left
		s.OnHand = &onHand
		s.Covered = math.Round(1000*demand.Covered(onHand)) / 1000
	}
	var short time.Time
	for i := range work { // in the order of pressing
		w := &work[i]
		if w.KitNumber != spec.Number {
			continue
		}
		s.Planned++
		switch {
		case s.OnHand == nil:
			w.Source = "unknown"
		case left > 0:
			left--
			w.Source = "shelf"
		default:
			w.Source = "order"
			if w.by.IsZero() {
				short = in.Now
			} else if short.IsZero() || w.by.Before(short) {
				short = w.by
			}
		}
	}
	if s.OnHand == nil {
		return s
	}
	// One more than the catalogue's own reorder point is wanted where it gives one, for at that point one orders.
	want := max(s.Need, s.Planned)
	if spec.Stock.ReorderPoint > 0 {
		want = max(want, spec.Stock.ReorderPoint+1)
	}
	if s.Order = max(0, want-*s.OnHand); s.Order > 0 {
		by := in.Now
		if !short.IsZero() {
			by = short.Add(-time.Duration(spec.LeadTimeDays * 24 * float64(time.Hour)))
		}
		s.OrderBy = later(by, in.Now)
	}
	return s
}

// asks are the probabilities with which the pumps that a kit fits ask for one until an order of today arrives, and the average number asked for by
// pumps that nobody watches. A ticket is certain to ask. A pump whose duty is not known says nothing.
func asks(in Input, spec pump.KitSpec) (each []float64, guess float64) {
	days := max(1, spec.LeadTimeDays)
	known, sum := 0, 0.0
	for _, p := range in.Pumps {
		if p.number(spec.Kit) != spec.Number {
			continue
		}
		asked := 0
		for _, n := range p.Needs {
			if n.Kit == spec.Kit {
				each = append(each, 1)
				asked++
			}
		}
		part, ok := p.Parts[spec.Kit]
		if !ok || !(p.Duty.PerDay > 0) {
			continue
		}
		strokes := p.Duty.PerDay * days
		// Where the age is not known, at the average rate at which such parts are renewed.
		rate := -math.Expm1(-strokes / part.Belief.Typical().Mean())
		known++
		sum += rate
		if asked > 0 {
			continue
		}
		if part.Known {
			rate = 1 - part.Belief.Reliability(part.Age, strokes)
		}
		each = append(each, min(1, max(0, rate)))
	}
	if n := in.Unwatched[spec.Number]; n > 0 && known > 0 {
		guess = float64(n) * sum / float64(known)
	}
	return each, guess
}
