package agent

import (
	"context"
	"sync"
)

// viewers are the pages that want to know of changes. The zero value is ready.
type viewers struct {
	mu   sync.Mutex
	subs map[chan struct{}]struct{}
}

// subscribe gives a channel that ticks after changes; ticks merge. It is closed after ctx has ended.
func (v *viewers) subscribe(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.subs == nil {
		v.subs = map[chan struct{}]struct{}{}
	}
	v.subs[c] = struct{}{}
	context.AfterFunc(ctx, func() {
		v.mu.Lock()
		defer v.mu.Unlock()
		delete(v.subs, c)
		close(c)
	})
	return c
}

func (v *viewers) wake() {
	v.mu.Lock()
	defer v.mu.Unlock()
	for c := range v.subs {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}
