package agent

import (
	"context"
	"fmt"
	"slices"
	"time"

	"diastole/agent/event"
	"diastole/agent/plan"
	"diastole/agent/watch"
	"diastole/model/pump"
)

// Plan implements web.Source. Its time is that of the newest data, as the days of tickets are.
func (s *source) Plan(ctx context.Context, weeks int, service float64) (plan.Plan, error) {
	rebuilds, err := s.store.Rebuilds(ctx, "")
	if err != nil {
		return plan.Plan{}, fmt.Errorf("plan: %w", err)
	}
	stock, err := s.Stock(ctx)
	if err != nil {
		return plan.Plan{}, fmt.Errorf("plan: %w", err)
	}
	board := s.status.Load()
	in := plan.Input{Site: s.cfg.Site, Weeks: weeks, Service: service, Used: map[string]int{}, Unwatched: map[string]int{}}
	for _, l := range stock {
		in.Used[l.Number] = l.Used
	}
	lives := watch.NewLives(rebuilds)
	liquid := map[string]string{}
	for _, st := range board.pumps {
		liquid[st.Pump.ID] = st.Pump.Installed.Liquid
		if st.LastData.After(in.Now) {
			in.Now = st.LastData
		}
		for _, k := range pump.Kits() {
			if age, known := ageOf(st, k); known {
				lives.Runs(k, st.Pump.Settings.Model.Name, st.Pump.Installed.Liquid, age)
			}
		}
	}
	if in.Now.IsZero() {
		in.Now = s.clock().UTC()
	}
	for _, st := range board.pumps {
		in.Pumps = append(in.Pumps, planned(st, lives, func(id string) string { return liquid[id] }))
	}
	for _, x := range s.cfg.Installed {
		if _, watched := liquid[x.Position]; watched {
			continue
		}
		for _, k := range s.cfg.KitsFor(x) {
			in.Unwatched[k.Number]++
		}
	}
	return plan.Make(in), nil
}

// planned is a pump as the plan sees it.
func planned(st watch.Status, lives *watch.Lives, liquid func(string) string) plan.Pump {
	c := st.Pump
	p := plan.Pump{
		ID: c.ID, Serial: c.Serial, Model: c.Settings.Model.Name, Liquid: c.Installed.Liquid, Criticality: c.Installed.Criticality,
		Kits: c.Upkeep.Kits, Duty: st.Monitor.Duty, Parts: map[pump.Kit]plan.Part{},
	}
	for _, t := range st.Tickets {
		n := plan.Need{Ticket: t.Ticket, Kit: t.Kit, Urgency: t.Urgency}
		day := t.ActBy
		if n.Scheduled = t.State == event.StateScheduled; n.Scheduled {
			day = t.ScheduledFor
		}
		if by, err := time.Parse(time.DateOnly, day); err == nil {
			n.By = by
		}
		p.Needs = append(p.Needs, n)
	}
	for _, k := range pump.Kits() {
		part := plan.Part{Belief: lives.Belief(k, p.Model, liquid, p.Liquid)}
		part.Age, part.Known = ageOf(st, k)
		p.Parts[k] = part
	}
	return p
}

// ageOf is what the oldest part that a kit renews has run, strokes.
func ageOf(st watch.Status, k pump.Kit) (age float64, known bool) {
	of := st.Pump.Upkeep.Replaces(k)
	for _, part := range st.Parts {
		if part.Strokes != nil && slices.Contains(of, part.Component) {
			age, known = max(age, *part.Strokes), true
		}
	}
	return age, known
}
