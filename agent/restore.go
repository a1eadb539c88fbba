package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"diastole/agent/event"
	"diastole/agent/store"
	"diastole/detect/feature"
)

// restore brings every pump to where it was: its last snapshot, and the epochs that were stored since.
func (a *Agent) restore(ctx context.Context) error {
	for _, p := range a.cfg.Pumps {
		at, data, err := a.store.Snapshot(ctx, p.ID)
		var epochs []feature.Epoch
		switch {
		case err == nil:
			epochs, err = a.epochsSince(ctx, p.ID, at)
		case errors.Is(err, store.ErrNotFound):
			epochs, err = a.epochsSinceReset(ctx, p.ID)
		default:
			a.log.Warn("the pump's state cannot be read; it is made anew from its epochs", "pump", p.ID, "error", err)
			epochs, err = a.epochsSinceReset(ctx, p.ID)
		}
		if err != nil {
			return err
		}
		if err := a.site.Restore(p.ID, data, epochs); err != nil {
			a.log.Warn("the pump's state is not usable; it is made anew from its epochs", "pump", p.ID, "error", err)
			if epochs, err = a.epochsSinceReset(ctx, p.ID); err != nil {
				return err
			}
			if err := a.site.Restore(p.ID, nil, epochs); err != nil {
				return fmt.Errorf("pump %s: %w", p.ID, err)
			}
		}
	}
	tickets, err := a.store.Tickets(ctx, store.TicketFilter{})
	if err != nil {
		return fmt.Errorf("tickets: %w", err)
	}
	advisories, err := a.store.OpenAdvisories(ctx)
	if err != nil {
		return fmt.Errorf("advisories: %w", err)
	}
	a.site.Adopt(tickets, advisories)
	return nil
}

// never is later than all data.
var never = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)

// epochsSinceReset are the epochs from which the healthy pump is known or being learned: those before its last reset were another
// pump's, as it were.
func (a *Agent) epochsSinceReset(ctx context.Context, pump string) ([]feature.Epoch, error) {
	const most = 100_000 // of a pump's events, in the time that the store keeps them
	events, err := a.store.Events(ctx, pump, time.Time{}, never, most)
	if err != nil {
		return nil, fmt.Errorf("events of pump %s: %w", pump, err)
	}
	var reset time.Time
	for _, e := range events {
		if e.Type == event.BaselineReset {
			reset = e.Time
		}
	}
	return a.epochsSince(ctx, pump, reset)
}

func (a *Agent) epochsSince(ctx context.Context, pump string, since time.Time) ([]feature.Epoch, error) {
	var epochs []feature.Epoch
	err := a.store.Walk(ctx, pump, since, never, func(e feature.Epoch) error {
		epochs = append(epochs, e)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("epochs of pump %s: %w", pump, err)
	}
	return epochs, nil
}
