package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"diastole/agent/store"
	"diastole/agent/watch"
	"diastole/detect/feature"
)

// restore brings every pump to where it was: its last snapshot, and the epochs that were stored since.
func (a *Agent) restore(ctx context.Context) error {
	known, err := a.known(ctx)
	if err != nil {
		return err
	}
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
		if err := a.site.Restore(p.ID, data, epochs, known); err != nil {
			a.log.Warn("the pump's state is not usable; it is made anew from its epochs", "pump", p.ID, "error", err)
			if epochs, err = a.epochsSinceReset(ctx, p.ID); err != nil {
				return err
			}
			if err := a.site.Restore(p.ID, nil, epochs, known); err != nil {
				return fmt.Errorf("pump %s: %w", p.ID, err)
			}
		}
	}
	a.site.Adopt(known)
	for _, b := range known.Bodies {
		for _, p := range a.cfg.Pumps {
			if p.ID == b.Pump && p.Serial != "" && b.Serial != "" && p.Serial != b.Serial {
				a.log.Warn("the configuration names another body than the one that stands there; where it was exchanged, say so with diastole swapped",
					"pump", p.ID, "configured", p.Serial, "stands_there", b.Serial, "since", b.Since)
			}
		}
	}
	return nil
}

// doneRead is how many closed tickets are read, of which those that are done may still be verified or taken up again.
const doneRead = 1000

// known is what the store knows of the pumps beside epochs and snapshots.
func (a *Agent) known(ctx context.Context) (k watch.Known, err error) {
	if k.Tickets, err = a.store.Tickets(ctx, store.TicketFilter{Closed: doneRead}); err != nil {
		return k, fmt.Errorf("tickets: %w", err)
	}
	if k.Advisories, err = a.store.OpenAdvisories(ctx); err != nil {
		return k, fmt.Errorf("advisories: %w", err)
	}
	if k.Bodies, err = a.store.Bodies(ctx); err != nil {
		return k, fmt.Errorf("pump bodies: %w", err)
	}
	if k.Rebuilds, err = a.store.Rebuilds(ctx, ""); err != nil {
		return k, fmt.Errorf("rebuilds: %w", err)
	}
	return k, nil
}

// never is later than all data.
var never = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)

// epochsSinceReset are the epochs from which the healthy pump is known or being learned: those before its last reset were another
// pump's, as it were.
func (a *Agent) epochsSinceReset(ctx context.Context, pump string) ([]feature.Epoch, error) {
	reset, err := a.lastReset(ctx, pump)
	if err != nil {
		return nil, err
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
