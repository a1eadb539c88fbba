package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"diastole/agent/store"
	"diastole/detect/feature"
)

// restore brings every pump to where it was: its last snapshot, and the epochs that were stored since.
func (a *Agent) restore(ctx context.Context) error {
	for _, p := range a.cfg.Pumps {
		at, data, err := a.store.Snapshot(ctx, p.ID)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			a.log.Warn("the pump's state cannot be read; it is made anew from its epochs", "pump", p.ID, "error", err)
			at, data = time.Time{}, nil
		}
		epochs, err := a.epochsSince(ctx, p.ID, at)
		if err != nil {
			return err
		}
		if err := a.site.Restore(p.ID, data, epochs); err != nil {
			a.log.Warn("the pump's state is not usable; it is made anew from its epochs", "pump", p.ID, "error", err)
			if epochs, err = a.epochsSince(ctx, p.ID, time.Time{}); err != nil {
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

func (a *Agent) epochsSince(ctx context.Context, pump string, since time.Time) ([]feature.Epoch, error) {
	var epochs []feature.Epoch
	end := time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
	err := a.store.Walk(ctx, pump, since, end, func(e feature.Epoch) error {
		epochs = append(epochs, e)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("epochs of pump %s: %w", pump, err)
	}
	return epochs, nil
}
