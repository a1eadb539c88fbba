package agent

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"diastole/agent/event"
	"diastole/agent/watch"
	"diastole/agent/web"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// ask lets the pipeline do something, which it does at its next tick, and waits until it is stored.
func ask[T any](ctx context.Context, s *source, do func(at time.Time) (T, error)) (answer T, err error) {
	x := act{do: func() { answer, err = do(s.clock().UTC()) }, done: make(chan int64, 1)}
	var none T
	select {
	case s.acts <- x:
	case <-s.sessionDone:
		return none, errors.New("the agent is stopping")
	case <-ctx.Done():
		return none, ctx.Err()
	}
	n := <-x.done
	switch {
	case errors.Is(err, watch.ErrConflict):
		return none, fmt.Errorf("%w: %w", web.ErrConflict, err)
	case errors.Is(err, watch.ErrNotConfigured):
		return none, fmt.Errorf("%w: %w", web.ErrNotFound, err)
	case errors.Is(err, watch.ErrRefused):
		return none, fmt.Errorf("%w: %w", web.ErrRefused, err)
	case err != nil:
		return none, err
	}
	return answer, s.commits.wait(ctx, n)
}

// Act implements web.Source.
func (s *source) Act(ctx context.Context, id string, a watch.Act) (event.Ticket, error) {
	t, err := ask(ctx, s, func(at time.Time) (event.Ticket, error) { return s.site.Act(id, a, at) })
	if errors.Is(err, watch.ErrNotOpen) {
		if _, err := s.Ticket(ctx, id); err != nil {
			return event.Ticket{}, err
		}
		return event.Ticket{}, fmt.Errorf("ticket %s is closed: %w", id, web.ErrConflict)
	}
	return t, err
}

// Rebuilt implements web.Source.
func (s *source) Rebuilt(ctx context.Context, pump string, at time.Time, r watch.Rebuilt) (event.Rebuild, error) {
	rec, err := ask(ctx, s, func(now time.Time) (event.Rebuild, error) {
		at, epochs, err := s.since(ctx, pump, at, now)
		if err != nil {
			return event.Rebuild{}, err
		}
		return s.site.Rebuilt(pump, r, at, epochs)
	})
	if errors.Is(err, watch.ErrNotOpen) {
		return rec, fmt.Errorf("%w: %w", web.ErrConflict, err)
	}
	return rec, err
}

// Relearn implements web.Source.
func (s *source) Relearn(ctx context.Context, pump, reason, by string, since time.Time) (event.Body, error) {
	return ask(ctx, s, func(now time.Time) (event.Body, error) {
		at, epochs, err := s.since(ctx, pump, since, now)
		if err != nil {
			return event.Body{}, err
		}
		return s.site.Relearn(pump, reason, by, at, epochs)
	})
}

// since reads the epochs of a pump since a time, which must not lie in the future nor before its present baseline began. A
// zero time is now, without epochs. Those that are not stored yet are waited for; the pipeline waits with them, some seconds at
// the most, for a person asked for it.
func (s *source) since(ctx context.Context, pump string, at, now time.Time) (time.Time, []feature.Epoch, error) {
	if at.IsZero() {
		return now, nil, nil
	}
	if at.After(now) {
		return at, nil, fmt.Errorf("%s lies in the future; it is %s: %w", at.Format(time.RFC3339), now.Format(time.RFC3339), watch.ErrRefused)
	}
	if err := s.commits.wait(ctx, s.handOver(false)); err != nil {
		return at, nil, err
	}
	begun, err := s.lastReset(ctx, pump)
	if err != nil {
		return at, nil, err
	}
	if at.Before(begun) {
		return at, nil, fmt.Errorf("%s lies before %s, when the present baseline began: %w", at.Format(time.RFC3339), begun.Format(time.RFC3339), watch.ErrRefused)
	}
	epochs, err := s.epochsSince(ctx, pump, at)
	return at, epochs, err
}

// Swapped implements web.Source.
func (s *source) Swapped(ctx context.Context, pump, serial, by string) (event.Body, error) {
	return ask(ctx, s, func(at time.Time) (event.Body, error) {
		bodies, err := s.store.Bodies(ctx)
		if err != nil {
			return event.Body{}, err
		}
		var stored *event.Body
		if i := slices.IndexFunc(bodies, func(b event.Body) bool { return b.Serial == serial }); i >= 0 {
			stored = &bodies[i]
		}
		return s.site.Swapped(pump, serial, by, stored, at)
	})
}

// Shelve implements web.Source.
func (s *source) Shelve(ctx context.Context, id string, shelf web.Shelf) (event.Advisory, error) {
	return s.advisory(ctx, func(at time.Time) (event.Advisory, error) {
		until := shelf.Until
		if until.IsZero() {
			until = at.Add(shelf.For)
		}
		return s.site.Shelve(id, event.Shelf{By: shelf.By, At: at, Until: until.UTC(), Reason: shelf.Reason})
	})
}

// Unshelve implements web.Source.
func (s *source) Unshelve(ctx context.Context, id string) (event.Advisory, error) {
	return s.advisory(ctx, func(at time.Time) (event.Advisory, error) { return s.site.Unshelve(id, at) })
}

func (s *source) advisory(ctx context.Context, do func(at time.Time) (event.Advisory, error)) (event.Advisory, error) {
	a, err := ask(ctx, s, do)
	if errors.Is(err, watch.ErrNotOpen) {
		return a, fmt.Errorf("%w: %w", web.ErrNotFound, err)
	}
	return a, err
}

// Rebuilds implements web.Source.
func (s *source) Rebuilds(ctx context.Context, pump string) ([]event.Rebuild, error) {
	all, err := s.store.Rebuilds(ctx, pump)
	slices.Reverse(all)
	return all, err
}

// Job implements web.Source.
func (s *source) Job(ctx context.Context, id string) (web.Job, error) {
	b := s.status.Load()
	i := slices.IndexFunc(b.pumps, func(p watch.Status) bool { return p.Pump.ID == id })
	if i < 0 {
		return web.Job{}, fmt.Errorf("pump %s: %w", id, web.ErrNotFound)
	}
	st := b.pumps[i]
	job := web.Job{
		Pump: id, Model: st.Pump.Settings.Model.Name, Size: st.Pump.Size, Place: st.Pump.Installed, Upkeep: st.Pump.Upkeep,
		OnHand: map[pump.Kit]int{}, Parts: st.Parts, Rebuild: st.Rebuild,
	}
	job.Place.Serial = st.Pump.Serial
	stock, err := s.Stock(ctx)
	if err != nil {
		return job, err
	}
	for _, l := range stock {
		if k, ok := job.Upkeep.Kit(l.Kit); ok && k.Number == l.Number {
			job.OnHand[l.Kit] = l.Left
		}
	}
	return job, nil
}

// Stock implements web.Source: what was counted, less what rebuilds have used since.
func (s *source) Stock(ctx context.Context) ([]web.StockLine, error) {
	rebuilds, err := s.store.Rebuilds(ctx, "")
	if err != nil {
		return nil, err
	}
	var out []web.StockLine
	for _, p := range s.cfg.Kits {
		k := p.Kit
		if k.Stock == nil || slices.ContainsFunc(out, func(l web.StockLine) bool { return l.Number == k.Number }) {
			continue // a kit that two models share lies on the shelf once
		}
		l := web.StockLine{
			Number: k.Number, Kit: k.Kit, Model: p.Model, Counted: k.Stock.Counted, OnHand: k.Stock.OnHand,
			ReorderPoint: k.Stock.ReorderPoint, Place: k.Stock.Place, LeadTimeDays: k.LeadTimeDays,
		}
		for _, r := range rebuilds {
			for _, n := range r.KitNumbers {
				if n == k.Number && !r.Time.Before(k.Stock.Counted) {
					l.Used++
				}
			}
		}
		l.Left = l.OnHand - l.Used
		out = append(out, l)
	}
	return out, nil
}

// lastReset is when the present baseline of a pump began, zero where it is the first one.
func (a *Agent) lastReset(ctx context.Context, pump string) (time.Time, error) {
	const most = 100_000 // of a pump's events, in the time that the store keeps them
	events, err := a.store.Events(ctx, pump, time.Time{}, never, most)
	if err != nil {
		return time.Time{}, fmt.Errorf("events of pump %s: %w", pump, err)
	}
	var reset time.Time
	for _, e := range events {
		if e.Type == event.BaselineReset {
			reset = e.Time
		}
	}
	return reset, nil
}
