package agent

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"diastole/agent/event"
	"diastole/agent/store"
	"diastole/agent/watch"
	"diastole/agent/web"
	"diastole/detect/feature"
)

// source is the agent as the page sees it.
type source struct{ *Agent }

var _ web.Source = (*source)(nil)

// interval is the half-width of a 95 % interval of a normal distribution, in standard deviations.
const interval = 1.96

// Site implements web.Source.
func (s *source) Site() string { return s.cfg.Site }

// Address implements web.Source.
func (s *source) Address() string { return s.cfg.Web.PublicURL }

// Pumps implements web.Source.
func (s *source) Pumps(context.Context) ([]web.PumpView, error) {
	b := s.status.Load()
	views := make([]web.PumpView, len(b.pumps))
	for i, p := range b.pumps {
		views[i] = viewOf(p, stale(p, b.at))
	}
	return views, nil
}

func viewOf(s watch.Status, stale bool) web.PumpView {
	p := s.Pump
	v := web.PumpView{
		ID: p.ID, Serial: p.Serial, Model: p.Settings.Model.Name, Liquid: p.Liquid,
		State: s.Monitor.Running.State, LastData: s.LastData, Stale: stale,
		Inlet: s.Newest.Inlet, Discharge: s.Newest.Discharge,
		Statistic: s.Monitor.Score, Threshold: s.Monitor.Threshold, StrokesSinceRebuild: s.SinceRebuild,
		Advisories: s.Advisories, Unseen: unseen(s), Beside: s.Newest.Beside(), Tier: s.Newest.Tier,
	}
	switch b := s.Monitor.Baseline; {
	case b != nil:
		v.AsFound = b.AsFound
	case s.LastData.IsZero():
		v.Learning = "waits for the first data"
	default:
		v.Learning = fmt.Sprintf("%.0f %% of %s learned", 100*s.Monitor.Learned, learnGoal(s))
	}
	mean, sigma, known := s.Monitor.Healthy.Expect(s.Newest)
	for f := range feature.NumFeatures {
		if x := s.Newest.Features[f]; x.Valid {
			v.Readings = append(v.Readings, web.Reading{Feature: f, Point: pointOf(s.Newest, f, mean[f], sigma[f], known)})
		}
	}
	for _, t := range s.Tickets {
		v.Tickets = append(v.Tickets, t.Ticket)
	}
	return v
}

// learnGoal says in words what the learning stretch is to be.
func learnGoal(s watch.Status) string {
	l := s.Pump.Settings.Learn
	switch {
	case l.For > 0:
		return fmt.Sprintf("%.4g h", l.For.Hours())
	case l.Running > 0:
		return fmt.Sprintf("%.4g running hours", l.Running.Hours())
	default:
		return fmt.Sprintf("%.0f strokes", l.Strokes)
	}
}

func pointOf(e feature.Epoch, f feature.ID, mean, sigma float64, known bool) web.Point {
	p := web.Point{Time: e.End, Value: e.Features[f].V, SE: e.Features[f].SE}
	if known {
		p.Expected, p.Band = mean, interval*sigma
	}
	return p
}

// Trend implements web.Source.
func (s *source) Trend(ctx context.Context, pump string, f feature.ID, from, to time.Time, limit int) ([]web.Point, error) {
	b := s.status.Load()
	i := slices.IndexFunc(b.pumps, func(p watch.Status) bool { return p.Pump.ID == pump })
	if i < 0 {
		return nil, fmt.Errorf("pump %s: %w", pump, web.ErrNotFound)
	}
	epochs, err := s.store.Epochs(ctx, pump, from, to, limit)
	if err != nil {
		return nil, fmt.Errorf("trend of pump %s: %w", pump, err)
	}
	var points []web.Point
	for _, e := range epochs {
		if e.State != feature.Running || !e.Features[f].Valid {
			continue
		}
		mean, sigma, known := b.pumps[i].Monitor.Healthy.Expect(e)
		points = append(points, pointOf(e, f, mean[f], sigma[f], known))
	}
	return points, nil
}

// closedShown is how many closed tickets are listed.
const closedShown = 200

// Tickets implements web.Source.
func (s *source) Tickets(ctx context.Context, open bool) ([]event.Ticket, error) {
	filter := store.TicketFilter{Closed: closedShown}
	if open {
		filter.Closed = 0
	}
	tickets, err := s.store.Tickets(ctx, filter)
	slices.Reverse(tickets)
	return tickets, err
}

// Ticket implements web.Source.
func (s *source) Ticket(ctx context.Context, id string) (event.Ticket, error) {
	t, err := s.store.Ticket(ctx, id)
	if errors.Is(err, store.ErrNotFound) {
		err = fmt.Errorf("ticket %s: %w", id, web.ErrNotFound)
	}
	return t, err
}

// Advisories implements web.Source.
func (s *source) Advisories(context.Context) ([]event.Advisory, error) {
	var all []event.Advisory
	for _, p := range s.status.Load().pumps {
		all = append(all, p.Advisories...)
	}
	slices.SortStableFunc(all, func(a, b event.Advisory) int { return b.Since.Compare(a.Since) })
	return all, nil
}

// Subscribe implements web.Source.
func (s *source) Subscribe(ctx context.Context) <-chan struct{} { return s.viewers.subscribe(ctx) }
