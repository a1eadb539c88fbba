package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"diastole/agent/event"
	"diastole/agent/plan"
	"diastole/agent/watch"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// fakeNow is the newest data time of the fake site.
var fakeNow = time.Date(2026, 3, 9, 10, 3, 12, 0, time.UTC)

// fakeSource is an invented site. Its trends are seeded, so every run shows the same pictures.
type fakeSource struct {
	mu         sync.Mutex
	pumps      []PumpView
	tickets    []event.Ticket
	advisories []event.Advisory
	health     Health
	err        error // where set, every call that can fail does
	trendErr   error // where set, trends fail
	trendCalls int
	changes    chan struct{}
	address    string
	jobs       map[string]Job
	rebuilds   []event.Rebuild
}

func (f *fakeSource) Site() string { return "north-works" }

func (f *fakeSource) Pumps(context.Context) ([]PumpView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.pumps), f.err
}

// Trend wanders with an operating point that moves each day; pumps with a ticket drift away from what
// is expected over the last ten days.
func (f *fakeSource) Trend(_ context.Context, id string, which feature.ID, from, to time.Time, limit int) ([]Point, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.trendCalls++
	index := slices.IndexFunc(f.pumps, func(p PumpView) bool { return p.ID == id })
	if index < 0 {
		return nil, fmt.Errorf("pump %q: %w", id, ErrNotFound)
	}
	if err := errors.Join(f.err, f.trendErr); err != nil {
		return nil, err
	}
	p := f.pumps[index]
	base, band := typical(which)
	rng := rand.New(rand.NewPCG(uint64(index), uint64(which)))
	step := to.Sub(from) / time.Duration(limit)
	var points []Point
	for i := range limit {
		t := from.Add(time.Duration(i+1) * step)
		if hours := t.Sub(fakeNow).Hours(); hours < -24*200 || (hours > -24*17 && hours < -24*16) {
			continue // before the history began; a day without data
		}
		days := fakeNow.Sub(t).Hours() / 24
		operating := 1 + 0.05*math.Sin(days*0.9+float64(index)) + 0.02*math.Sin(days*2.1)
		expected := base * operating
		value := expected + band*0.42*rng.NormFloat64()
		if len(p.Tickets) > 0 {
			drift := band * 3.2 * math.Pow(max(0, 1-days/10), 1.5)
			if which == feature.Asymmetry { // a worn check valve shortens stroke A
				drift = -drift
			}
			value += drift
		}
		point := Point{Time: t, Value: round(value), SE: round(band / 4), Expected: round(expected), Band: band}
		if p.Learning != "" {
			point.Expected, point.Band = 0, 0
		}
		points = append(points, point)
	}
	return points, nil
}

// round keeps the golden files the same on machines that fuse multiplication and addition.
func round(v float64) float64 { return math.Round(v*1e6) / 1e6 }

// typical is a plausible healthy value and band of a feature, SI.
func typical(f feature.ID) (base, band float64) {
	return [feature.NumFeatures]float64{3.1, 0.012, 0.011, 0.03, 0.21, 0.015, 0.062, 0.031, 0.0021}[f],
		[feature.NumFeatures]float64{0.07, 0.006, 0.003, 0.009, 0.02, 0.012, 0.004, 0.0017, 0.00009}[f]
}

func (f *fakeSource) Tickets(_ context.Context, open bool) ([]event.Ticket, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	kept := slices.DeleteFunc(slices.Clone(f.tickets), func(t event.Ticket) bool { return open && t.State == event.StateClosed })
	return kept, f.err
}

func (f *fakeSource) Ticket(_ context.Context, id string) (event.Ticket, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	t, err := f.find(id)
	if err != nil {
		return event.Ticket{}, err
	}
	return *t, f.err
}

func (f *fakeSource) find(id string) (*event.Ticket, error) {
	for i := range f.tickets {
		if f.tickets[i].Ticket == id {
			return &f.tickets[i], nil
		}
	}
	return nil, fmt.Errorf("ticket %q: %w", id, ErrNotFound)
}

func (f *fakeSource) Address() string { return f.address }

func (f *fakeSource) Act(_ context.Context, id string, a watch.Act) (event.Ticket, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	t, err := f.find(id)
	if err != nil {
		return event.Ticket{}, err
	}
	if t.State == event.StateClosed {
		return event.Ticket{}, fmt.Errorf("ticket %s is closed: %w", id, ErrConflict)
	}
	if a.Version != nil && *a.Version != t.Version {
		return event.Ticket{}, fmt.Errorf("ticket %s is at version %d: %w", id, t.Version, ErrConflict)
	}
	state := map[event.Deed]event.TicketState{
		event.Acknowledge: event.StateAcknowledged, event.Schedule: event.StateScheduled, event.Begin: event.StateInWork, event.Close: event.StateClosed,
	}
	if to, moves := state[a.Do]; moves {
		t.State, t.By = to, a.By
	}
	t.Outcome, t.ScheduledFor = a.Outcome, a.For
	t.Version++
	t.Log = append(t.Log, event.LogEntry{Time: fakeNow, By: a.By, Did: a.Do, Text: a.Note})
	return *t, nil
}

func (f *fakeSource) Job(_ context.Context, id string) (Job, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	index := slices.IndexFunc(f.pumps, func(p PumpView) bool { return p.ID == id })
	if index < 0 {
		return Job{}, fmt.Errorf("pump %q: %w", id, ErrNotFound)
	}
	p := f.pumps[index]
	j := f.jobs[id]
	j.Pump, j.Model, j.Place.Position, j.Place.Serial = id, p.Model, id, p.Serial
	j.Place.Liquid = p.Liquid
	return j, f.err
}

func (f *fakeSource) Rebuilds(_ context.Context, pump string) ([]event.Rebuild, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(f.rebuilds), func(r event.Rebuild) bool { return pump != "" && r.Pump != pump }), f.err
}

func (f *fakeSource) Rebuilt(_ context.Context, pump string, at time.Time, r watch.Rebuilt) (event.Rebuild, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if at.IsZero() {
		at = fakeNow
	}
	rec := event.Rebuild{Rebuild: pump + "-rebuild", Pump: pump, Time: at, By: r.By, Ticket: r.Ticket, Kits: r.Kits, Note: r.Note, Judgement: event.Accepting, Asked: r.Asked, Photos: r.Photos}
	f.rebuilds = append(f.rebuilds, rec)
	return rec, f.err
}

func (f *fakeSource) Swapped(_ context.Context, pump, serial, _ string) (event.Body, error) {
	return event.Body{Body: serial, Serial: serial, Pump: pump, Since: fakeNow, Best: []byte("secret of the monitor")}, f.err
}

func (f *fakeSource) Relearn(_ context.Context, pump, _, _ string, since time.Time) (event.Body, error) {
	return event.Body{Body: "0007", Pump: pump, Since: since}, f.err
}

func (f *fakeSource) Shelve(_ context.Context, id string, s Shelf) (event.Advisory, error) {
	return event.Advisory{Advisory: id, Shelved: &event.Shelf{By: s.By, At: fakeNow, Until: fakeNow.Add(s.For), Reason: s.Reason}}, f.err
}

func (f *fakeSource) Unshelve(_ context.Context, id string) (event.Advisory, error) {
	return event.Advisory{Advisory: id}, f.err
}

// Plan is that of the fake tickets.
func (f *fakeSource) Plan(_ context.Context, weeks int, service float64) (plan.Plan, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	in := plan.Input{Site: "north-works", Now: fakeNow, Weeks: weeks, Service: service}
	kits := []pump.KitSpec{{Kit: pump.WetEnd, Number: "WE-1020-EX", LeadTimeDays: 21, Stock: &pump.Stock{OnHand: 1, Place: "store A bin 12"}}}
	for _, t := range f.tickets {
		if t.State != event.StateClosed {
			by, _ := time.Parse(time.DateOnly, t.ActBy)
			in.Pumps = append(in.Pumps, plan.Pump{ID: t.Pump, Model: t.Model, Kits: kits, Needs: []plan.Need{{Ticket: t.Ticket, Kit: t.Kit, Urgency: t.Urgency, By: by}}})
		}
	}
	return plan.Make(in), f.err
}

func (f *fakeSource) Stock(context.Context) ([]StockLine, error) {
	return []StockLine{{Number: "WE-1020-EX", Kit: pump.WetEnd, OnHand: 2, Used: 1, Left: 1}}, f.err
}

func (f *fakeSource) Advisories(context.Context) ([]event.Advisory, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.advisories), f.err
}

func (f *fakeSource) Health(context.Context) Health {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.health
}

func (f *fakeSource) Subscribe(context.Context) <-chan struct{} { return f.changes }

// newFake builds a site of n invented pumps: most run well, some learn, rest, are silent or sick.
func newFake(n int) *fakeSource {
	f := &fakeSource{
		changes: make(chan struct{}, 1),
		health: Health{Ready: true, Conditions: []Condition{
			{Name: "broker", OK: true, Since: fakeNow.Add(-50 * time.Hour), Text: "connected"},
			{Name: "store", OK: true, Since: fakeNow.Add(-50 * time.Hour), Text: "writes"},
		}},
	}
	rng := rand.New(rand.NewPCG(8, 317))
	liquids := []string{"glaze slurry", "caustic 20 %", "latex", "waste water", "ink", ""}
	for i := range n {
		p := PumpView{
			ID: fmt.Sprintf("P-%d", 101+i), Model: pump.GenericNames()[i%6], Liquid: liquids[i%len(liquids)],
			State: feature.Running, LastData: fakeNow,
			Inlet:     feature.Value{V: math.Round(4.2e5 + 1.2e5*rng.Float64()), SE: 300, Valid: true},
			Discharge: feature.Value{V: math.Round(2.1e5 + 1.1e5*rng.Float64()), SE: 300, Valid: true},
			Threshold: 9.4, Statistic: round(3 * rng.Float64() * rng.Float64()),
			StrokesSinceRebuild: math.Round(4e6 * rng.Float64()),
		}
		epoch := feature.Epoch{
			Jitter:          feature.Value{V: 0.0081, SE: 0.0006, Valid: true},
			LiquidPerStroke: feature.Value{V: 0.341e-3, SE: 0.003e-3, Valid: true},
		}
		epoch.Air[feature.AirFilling] = feature.Value{V: 2.31e-3, SE: 0.8e-3, Valid: true}
		p.Beside, p.Tier = epoch.Beside(), feature.TierWaveform
		for id := range feature.AirPerStroke {
			base, band := typical(id)
			p.Readings = append(p.Readings, Reading{id, Point{
				Time: fakeNow, Value: round(base + 0.4*band*rng.NormFloat64()), SE: round(band / 4), Expected: base, Band: band,
			}})
		}
		f.pumps = append(f.pumps, p)
	}
	f.sicken()
	return f
}

// sicken gives the first pumps their troubles, as far as there are so many.
func (f *fakeSource) sicken() {
	troubles := map[int]func(p *PumpView){
		2: func(p *PumpView) {
			p.Serial = "0007"
			p.Statistic = 11.8
			p.StrokesSinceRebuild = 4_200_000
			p.Readings[feature.StrokeRate].Value = 3.334
			p.Readings[feature.Asymmetry].Value = -0.0068
			p.Unseen = []string{
				"Air valve blow-by and shaft seal leaks: no air flow meter.",
				"A small tear of a diaphragm: no probe in the exhaust. Watch the muffler for liquid.",
			}
			f.open(p, wornCheckValve)
			f.jobs = map[string]Job{p.ID: invented}
			f.address = "https://pumps.north-works.example"
		},
		4: func(p *PumpView) {
			p.Learning, p.Threshold = "41 of 100 h", 0
			for i := range p.Readings {
				p.Readings[i].Expected, p.Readings[i].Band = 0, 0
			}
		},
		5: func(p *PumpView) { p.State, p.Discharge.V = feature.Stalled, p.Inlet.V },
		6: func(p *PumpView) { p.Stale, p.LastData = true, fakeNow.Add(-7*time.Hour) },
		7: func(p *PumpView) { p.State, p.Inlet.Valid, p.Discharge.Valid = feature.Off, false, false },
		8: func(p *PumpView) {
			p.Statistic = 5.9
			f.advise(p, event.Advisory{
				Advisory: "A-0031", Cause: pump.SuctionRestricted, Probability: 0.91, Since: fakeNow.Add(-5 * time.Hour),
				Action: "Look at the suction strainer, the foot valve and the tank level.",
			})
		},
		9: func(p *PumpView) {
			*p = PumpView{ID: p.ID, Model: p.Model, State: feature.Unknown, Learning: "0 of 100 h"}
		},
		17: func(p *PumpView) {
			p.Statistic = 13.1
			f.open(p, stickingAirValve)
		},
		22: func(p *PumpView) {
			p.State = feature.Dry
			p.Discharge.V = 900
			p.Readings[feature.StrokeRate].Value = 7.4
			f.advise(p, event.Advisory{
				Advisory: "A-0032", Cause: pump.DryRunning, Probability: 0.995, Since: fakeNow.Add(-4 * time.Minute),
				Action: "Check the tank level and stop the pump as the site's procedure decides.",
			})
		},
		30: func(p *PumpView) { p.ID = `P-1/3 <"&'> Süd`; p.Liquid = "<script>alert(1)</script>" },
	}
	for i := range f.pumps {
		if trouble, found := troubles[i]; found {
			trouble(&f.pumps[i])
		}
	}
}

func (f *fakeSource) open(p *PumpView, t event.Ticket) {
	t.Pump, t.Model, t.Serial, t.StrokesSinceRebuild = p.ID, p.Model, p.Serial, p.StrokesSinceRebuild
	f.tickets = append(f.tickets, t)
	p.Tickets = append(p.Tickets, t.Ticket)
}

func (f *fakeSource) advise(p *PumpView, a event.Advisory) {
	a.Pump = p.ID
	p.Advisories = append(p.Advisories, a)
	f.advisories = append(f.advisories, a)
}

// wornCheckValve is a ticket with everything that a ticket can hold. Its cautions and checks are
// common practice for this kind of pump.
var wornCheckValve = event.Ticket{
	Ticket: "T-P-103-0004", State: event.StateOpen,
	Fault: pump.CheckValveLeak, Side: pump.SideA, Probability: 0.97,
	Alternatives: []event.Alternative{
		{Fault: pump.DiaphragmRupture, Probability: 0.02}, {Cause: pump.SuctionAir, Probability: 0.006},
	},
	Kit: pump.WetEnd, Bring: []pump.Kit{pump.AirEnd}, KitNumber: "WE-1020-EX",
	Suspects: []string{
		"Suction ball and seat of the chamber that discharges in stroke A",
		"Discharge ball and seat of the other chamber",
	},
	Urgency: pump.Planned, NE107: "maintenance-required", ISO14224: "INL", Severity: 0.42,
	Since: time.Date(2026, 2, 28, 4, 0, 0, 0, time.UTC), ActBy: "2026-03-20",
	IfNotDone: "The pump delivers less and runs faster for the same flow; the seat wears on, and a ball that no longer seats lets the line drain back.",
	Evidence: []event.Evidence{
		{Feature: "stroke_rate", Unit: "1/s", Expected: 3.10, Observed: 3.33, DeviationSigma: 8.4, Meaning: "strokes faster than this pressure difference calls for"},
		{Feature: "asymmetry", Unit: "1", Expected: 0.012, Observed: -0.007, DeviationSigma: -6.2, Meaning: "stroke A is shorter than stroke B"},
		{Feature: "ripple", Unit: "1", Expected: 0.21, Observed: 0.26, DeviationSigma: 4.1, Meaning: "discharge dips deeper after one stroke"},
	},
	Cautions: []string{
		"Stop and isolate the pump. Shut the air and bleed the air line at the pump: a stalled pump is pressurised on both ends and may stroke without warning.",
		"Relieve the liquid on suction and discharge and at any damper. Pressure can stay trapped between the balls.",
		"Lock and tag air and process valves; prove zero energy. Drain, flush, neutralise. Wear what the safety data sheet of the worst product asks for.",
		"Bond and ground pump, hoses and vessels before opening where product or site is flammable.",
	},
	ChecksBeforeOpening: []string{
		"At dead head: does the pump creep? One stroke and stop means one leaking valve, slow steady creep means several.",
		"Listen at each of the four balls: a leaking one hisses or chatters.",
		"Look at the suction strainer and for air in the suction line.",
	},
}

// invented is the upkeep of an invented pump.
var invented = Job{
	Size:  "1 inch",
	Place: pump.Installed{Hazard: "corrosive: eyes, skin", Criticality: "A", Shifts: pump.Shifts{DaysPerWeek: 7, HoursPerDay: 24, Words: "stop on the first Monday"}},
	Upkeep: pump.Service{
		Kits: []pump.KitSpec{{
			Kit: pump.WetEnd, Number: "WE-1020-EX", LeadTimeDays: 21, Stock: &pump.Stock{OnHand: 2, ReorderPoint: 1, Place: "store A bin 12"},
			Parts: []pump.BOMLine{
				{Part: "diaphragm", Number: "EX-1101", Quantity: 2, Side: "liquid", Material: "PTFE", Component: pump.Diaphragms},
				{Part: "back-up diaphragm", Number: "EX-1102", Quantity: 2, Side: "air", Material: "CR", Component: pump.Diaphragms},
				{Part: "check-valve ball", Number: "EX-1201", Quantity: 4, Side: "liquid", Material: "PTFE", Component: pump.Balls},
				{Part: "check-valve seat", Number: "EX-1202", Quantity: 4, Side: "liquid", Material: "stainless steel", Component: pump.Seats},
				{Part: "seat o-ring", Number: "EX-1203", Quantity: 4, Side: "liquid", Material: "PTFE", Component: pump.SeatSeals},
			},
		}},
		Tools: []pump.Tool{{Tool: "open spanner", Size: "17 mm", Use: "manifold bolts"}, {Tool: "socket", Size: "13 mm", Use: "clamps"}, {Tool: "o-ring pick"}},
		Inspect: []pump.Inspection{
			{Point: "shaft", Accept: "smooth, straight", Reject: "any score that a fingernail feels"},
			{Point: "seat edge", Accept: "even all round", Reject: "chip, groove, wear on one side"},
		},
		Joints: []pump.Joint{
			{Joint: "chamber clamps", Torque: &pump.Torque{Value: 14, Unit: "N.m", Source: "invented manual, edition 3", Page: "15"}, Pattern: "in turn, in three steps", RetorqueHours: 24},
			{Joint: "manifold bolts", Instead: "tighten evenly, crosswise"},
		},
	},
	OnHand: map[pump.Kit]int{pump.WetEnd: 2},
	Parts:  []event.Part{{Component: pump.Balls, Strokes: new(4.2e6)}, {Component: pump.Muffler}},
}

var stickingAirValve = event.Ticket{
	Ticket: "T-P-118-0002", State: event.StateAcknowledged, By: "M. Reed",
	Fault: pump.AirValveSticking, Side: pump.SideUnknown, Probability: 0.88,
	Kit: pump.AirEnd, Suspects: []string{"Main air valve: spool, sleeve and their seals"},
	Urgency: pump.Soon, NE107: "out-of-specification", ISO14224: "ERO", Severity: 0.71,
	Since: time.Date(2026, 3, 4, 16, 0, 0, 0, time.UTC), ActBy: "2026-03-13",
	IfNotDone: "The pump may stop in mid-stroke and not start again by itself.",
	Evidence: []event.Evidence{
		{Feature: "dip_width", Unit: "s", Expected: 0.031, Observed: 0.0402, DeviationSigma: 7.7, Meaning: "the air valve changes over more slowly"},
	},
	Cautions:            wornCheckValve.Cautions,
	ChecksBeforeOpening: []string{"Drain the air filter bowl: is there water, oil or rust?"},
}
