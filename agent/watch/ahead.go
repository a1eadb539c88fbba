package watch

import (
	"math"
	"time"

	"diastole/agent/event"
	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/prognose"
	"diastole/model/advice"
	"diastole/model/life"
	trade "diastole/model/pump"
)

// outlook is what a ticket says of the time to come: how long the pump will do, until when to act, what waiting costs in air.
type outlook struct {
	Remaining *event.Remaining
	ActBy     string
	AirWaste  *event.AirWaste
}

func kitOf(f trade.Fault) kit { return advice.For(f, trade.SideUnknown, 0, false).Kit }

// outlook looks ahead from a finding about a fault.
func (p *pump) outlook(f *detect.Finding) (o outlook) {
	d := f.Diagnosis
	if f.Wear == nil || d == nil {
		return o
	}
	o.AirWaste = p.airWaste(d, f.Wear.Duty)
	if d.Fault == trade.DiaphragmRupture { // it has no remaining life, whatever its size
		o.ActBy = f.Time.UTC().Format(time.DateOnly)
		return o
	}
	left, ok := prognose.Forecast(*f.Wear, p.part(kitOf(d.Fault)))
	if !ok {
		return o
	}
	h10, known := f.Wear.Duty.Hours(left.P10)
	if known {
		h50, _ := f.Wear.Duty.Hours(left.P50)
		h90, _ := f.Wear.Duty.Hours(left.P90)
		o.Remaining = &event.Remaining{P10: figures(h10), P50: figures(h50), P90: figures(h90)}
	}
	if at, ok := f.Wear.Duty.Time(f.Time, left.P10); ok {
		o.ActBy = at.UTC().Format(time.DateOnly)
	}
	return o
}

// part is what is known of the part that a fault is about: the oldest of those that its kit renews, for a fault is more often theirs.
func (p *pump) part(k kit) prognose.Part {
	out := prognose.Part{Belief: p.belief(k)}
	for _, c := range p.cfg.Upkeep.Replaces(k) {
		if at, known := p.book.Body.Fitted[c]; known {
			out.Known = true
			out.Before = max(out.Before, p.book.Body.Strokes-at)
		}
	}
	return out
}

func (p *pump) belief(k kit) life.Belief {
	if p.lives == nil {
		return life.Belief{}
	}
	return p.lives.Belief(k, p.cfg.Settings.Model.Name, p.liquids, p.liquids(p.cfg.ID))
}

// airWaste is what the fault wastes while the pump runs, from the features in evidence.
func (p *pump) airWaste(d *diagnose.Diagnosis, duty prognose.Duty) *event.AirWaste {
	w := advice.Waste{Inlet: p.newest.Inlet.V}
	for _, e := range d.Evidence {
		switch e.Feature {
		case feature.StrokeRate:
			w.StrokeRate, w.ExpectedRate = e.Observed, e.Expected
		case feature.AirPerStroke:
			w.AirPerStroke, w.ExpectedAir = e.Observed, e.Expected
		}
	}
	if w.StrokeRate == 0 { // the rate is as it should be
		w.StrokeRate = p.newest.Features[feature.StrokeRate].V
		w.ExpectedRate = w.StrokeRate
	}
	perHour := 3600 * advice.AirWaste(d.Fault, p.settings.Model, w)
	if !p.newest.Inlet.Valid || !(perHour > 0) {
		return nil
	}
	out := &event.AirWaste{PerHour: figures(perHour)}
	if duty.PerHour > 0 && duty.PerDay > 0 {
		perYear := perHour * 365.25 * duty.PerDay / duty.PerHour
		out.PerYear = figures(perYear)
		if price := p.costs.AirPerCubicMetre; price > 0 {
			out.CostPerYear, out.Currency = figures(perYear*price), p.costs.Currency
			rebuild := p.rebuildCost(kitOf(d.Fault))
			if t, ok := life.Payback(rebuild, perYear*price/(365.25*86400), 1); ok {
				out.PaybackDays = figures(t.Hours() / 24)
			}
		}
	}
	return out
}

// rebuildCost is what a rebuild with a kit costs, kit and labour; 0 where one of them is not given in the site's currency.
func (p *pump) rebuildCost(k kit) float64 {
	spec, ok := p.cfg.Upkeep.Kit(k)
	if !ok || spec.Cost == 0 || spec.Currency != p.costs.Currency || p.costs.LabourPerHour == 0 || p.costs.RebuildHours == 0 {
		return 0
	}
	return spec.Cost + p.costs.LabourPerHour*p.costs.RebuildHours
}

// put writes the outlook into a ticket. Where nothing new is known, what was told before stays.
func (o outlook) put(t *event.Ticket) {
	if o.Remaining != nil {
		t.Remaining = o.Remaining
	}
	if o.ActBy != "" {
		t.ActBy = o.ActBy
	}
	if o.AirWaste != nil {
		t.AirWaste = o.AirWaste
	}
}

// news tells whether an outlook differs from what a ticket says by so much that people should be told at a time: the middle by a third, and by
// more than a day of running, or the date by a quarter of the time that is left, and by more than a day.
func (o outlook) news(t *event.Ticket, at time.Time) bool {
	if (o.Remaining != nil) != (t.Remaining != nil) && o.Remaining != nil || o.ActBy != "" && t.ActBy == "" {
		return true
	}
	if o.Remaining != nil {
		a, b := t.Remaining.P50, o.Remaining.P50
		if math.Abs(a-b) > max(24, a/3) {
			return true
		}
	}
	was, err := time.Parse(time.DateOnly, t.ActBy)
	now, err2 := time.Parse(time.DateOnly, o.ActBy)
	if err != nil || err2 != nil {
		return false
	}
	return now.Sub(was).Abs() > max(24*time.Hour, was.Sub(at)/4)
}

// figures rounds to two significant figures: more would claim what is not known.
func figures(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 0
	}
	scale := math.Pow(10, 1-math.Floor(math.Log10(x)))
	return math.Round(x*scale) / scale
}
