package demo

import (
	"sync/atomic"
	"time"
)

// clock is the plant's: it stands until it is set.
type clock struct{ ns atomic.Int64 }

func newClock(t time.Time) *clock {
	c := new(clock)
	c.set(t)
	return c
}

func (c *clock) now() time.Time { return time.Unix(0, c.ns.Load()).UTC() }

func (c *clock) set(t time.Time) { c.ns.Store(t.UnixNano()) }
