package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"diastole/agent/store"
)

const (
	// commitEvery is how long rows wait for others: one fsync then serves them all. Tickets do not wait.
	commitEvery = 5 * time.Second
	// maxWaiting bounds the epochs that wait while the disk takes none; older ones go first, counted.
	maxWaiting = 20_000
)

// committer stores what the pipeline makes, in groups. The pipeline never waits for the disk.
type committer struct {
	store *store.Store
	wake  func()
	clock func() time.Time
	log   *slog.Logger

	mu      sync.Mutex
	waiting store.Batch
	since   time.Time // when the oldest row began to wait
	urgent  bool
	failing error
	failed  time.Time
	dropped int64
	// added counts the calls of add, stored those whose rows are on disk; changed is closed at every commit.
	added, stored int64
	changed       chan struct{}

	kick chan struct{}
	quit chan struct{}
	done chan struct{}
}

func newCommitter(s *store.Store, wake func(), clock func() time.Time, log *slog.Logger) *committer {
	return &committer{
		store: s, wake: wake, clock: clock, log: log,
		kick: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{}), changed: make(chan struct{}),
	}
}

// add takes rows to store, and returns a number by which to wait for them. It never blocks on the disk.
func (c *committer) add(b store.Batch) int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(b.Epochs)+len(b.Events)+len(b.Tickets)+len(b.Advisories)+len(b.Snapshots)+len(b.States)+len(b.Rebuilds)+len(b.Bodies) > 0 {
		c.added++
		c.merge(b)
		c.urgent = c.urgent || len(b.Tickets)+len(b.Advisories)+len(b.Rebuilds)+len(b.Bodies) > 0
		select {
		case c.kick <- struct{}{}:
		default:
		}
	}
	return c.added
}

// merge puts rows behind those that wait.
func (c *committer) merge(b store.Batch) {
	if c.since.IsZero() {
		c.since = c.clock()
	}
	w := &c.waiting
	w.Epochs = append(w.Epochs, b.Epochs...)
	w.Events = append(w.Events, b.Events...)
	w.Tickets = append(w.Tickets, b.Tickets...)
	w.Advisories = append(w.Advisories, b.Advisories...)
	w.Rebuilds = append(w.Rebuilds, b.Rebuilds...)
	w.Bodies = append(w.Bodies, b.Bodies...)
	w.Snapshots = latest(append(w.Snapshots, b.Snapshots...), func(s store.Snapshot) string { return s.Pump })
	w.States = latest(append(w.States, b.States...), func(s store.State) string { return s.Pump })
	if over := len(w.Epochs) - maxWaiting; over > 0 {
		w.Epochs = w.Epochs[over:]
		c.dropped += int64(over)
	}
}

// latest keeps the last row of each pump, in order.
func latest[T any](rows []T, pump func(T) string) []T {
	last := map[string]int{}
	for i, r := range rows {
		last[pump(r)] = i
	}
	kept := rows[:0]
	for i, r := range rows {
		if last[pump(r)] == i {
			kept = append(kept, r)
		}
	}
	return kept
}

func (c *committer) start() { go c.run() }

// run stores groups until stop.
func (c *committer) run() {
	defer close(c.done)
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	for {
		select {
		case <-c.quit:
			return
		case <-c.kick:
		case <-ticker.C:
		}
		if c.due() {
			c.commit(context.Background())
		}
	}
}

// due reports whether rows wait that should wait no longer. After a failure there is a pause.
func (c *committer) due() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.since.IsZero() || c.failing != nil && c.clock().Sub(c.failed) < commitEvery {
		return false
	}
	return c.urgent || c.clock().Sub(c.since) >= commitEvery
}

// commit stores all that waits. What could not be stored waits again, before what came meanwhile.
func (c *committer) commit(ctx context.Context) {
	c.mu.Lock()
	b, upTo := c.waiting, c.added
	c.waiting, c.since, c.urgent = store.Batch{}, time.Time{}, false
	c.mu.Unlock()
	err := c.store.Commit(ctx, b)
	c.mu.Lock()
	was := c.failing
	if c.failing = err; err != nil {
		c.failed = c.clock()
	} else {
		c.stored = upTo
	}
	close(c.changed)
	c.changed = make(chan struct{})
	c.mu.Unlock()
	switch {
	case err == nil:
		if was != nil {
			c.log.Info("storing works again")
		}
		c.wake()
	case errors.Is(err, store.ErrInvalid):
		c.log.Error("rows cannot be stored and are dropped", "error", err)
	default:
		if was == nil {
			c.log.Error("storing fails; what waits is kept in memory and tried again", "error", err)
		}
		c.putBack(b)
	}
}

// putBack puts rows before those that came since.
func (c *committer) putBack(b store.Batch) {
	c.mu.Lock()
	defer c.mu.Unlock()
	newer := c.waiting
	c.waiting, c.since = b, c.failed
	c.merge(newer)
}

// wait returns when the rows of add number n are on disk, or tells why they are not.
func (c *committer) wait(ctx context.Context, n int64) error {
	for {
		c.mu.Lock()
		stored, failing, changed := c.stored, c.failing, c.changed
		c.mu.Unlock()
		switch {
		case stored >= n:
			return nil
		case failing != nil:
			return fmt.Errorf("it is done but not yet stored: %w", failing)
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// state tells since when storing fails, with the error, and how many epochs were dropped by it.
func (c *committer) state() (since time.Time, dropped int64, failing error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.failed, c.dropped, c.failing
}

// stop stores what waits and ends the committer.
func (c *committer) stop(ctx context.Context) error {
	close(c.quit)
	<-c.done
	c.mu.Lock()
	idle := c.since.IsZero()
	c.mu.Unlock()
	if idle {
		return nil
	}
	c.commit(ctx)
	if _, _, err := c.state(); err != nil {
		return fmt.Errorf("the last rows could not be stored: %w", err)
	}
	return nil
}
