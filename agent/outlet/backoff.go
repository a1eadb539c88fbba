package outlet

import (
	"math/rand/v2"
	"time"
)

const (
	firstWait = time.Second
	longWait  = 5 * time.Minute
	// longAsked bounds what a receiver may ask for.
	longAsked = time.Hour
)

// backoff says how long to wait after failures in a row: doubling from a second to five minutes, each
// drawn evenly from the upper half, so that senders that failed together do not come back together.
type backoff struct {
	rng      *rand.Rand
	failures int
}

// next is the wait after one more failure; asked is what the receiver asked for.
func (b *backoff) next(asked time.Duration) time.Duration {
	wait := longWait
	if b.failures < 9 { // 2^9 s is beyond the longest
		wait = min(longWait, firstWait<<b.failures)
	}
	b.failures++
	wait = wait/2 + time.Duration(b.rng.Int64N(int64(wait/2)+1))
	return max(wait, min(asked, longAsked))
}

func (b *backoff) reset() { b.failures = 0 }
