// Package outlet tells receivers what waits for them in the outbox: an MQTT broker, HTTP webhooks, a
// time-series database.
//
// A Runner gives each receiver a goroutine of its own, so that one that is down holds nobody else up. Rows
// go out in the order in which they were committed. A row leaves the outbox when the receiver has confirmed
// it, not before: after a crash or a lost answer it is sent again under the same id, so a receiver sees
// each row at least once and recognises a repetition by its id (a point in a time series by its tags and
// time, which it overwrites with itself).
package outlet

import (
	"context"
	"errors"
	"time"

	"diastole/agent/store"
)

// Sender passes rows on to one receiver. A Runner calls it from one goroutine.
type Sender interface {
	// Name names the receiver in the outbox, in metrics and logs.
	Name() string
	// Kinds is what the receiver is told.
	Kinds() store.Kinds
	// Send passes rows on, in order. It returns how many of them, from the first, the receiver has
	// confirmed; where these are not all, the error says why the next one was not. Permanent marks an
	// error that trying that row again can not mend, RetryAfter one whose receiver asks for time; all
	// others are tried again at the Runner's pace.
	Send(ctx context.Context, rows []store.Row) (done int, err error)
	// Close gives the connection up.
	Close()
}

// permanent is what Permanent makes.
type permanent struct{ error }

func (p permanent) Unwrap() error { return p.error }

// Permanent marks an error that belongs to the row itself: the receiver will never take it.
func Permanent(err error) error { return permanent{err} }

// IsPermanent tells whether an error was marked by Permanent.
func IsPermanent(err error) bool {
	var p permanent
	return errors.As(err, &p)
}

// retryAfter is what RetryAfter makes.
type retryAfter struct {
	error
	wait time.Duration
}

func (r retryAfter) Unwrap() error { return r.error }

// RetryAfter adds to an error the least time that the receiver wants to be left alone.
func RetryAfter(err error, wait time.Duration) error { return retryAfter{err, wait} }

// waitAsked is the time that a receiver asked for, 0 where it asked for none.
func waitAsked(err error) time.Duration {
	if r, ok := errors.AsType[retryAfter](err); ok {
		return r.wait
	}
	return 0
}
