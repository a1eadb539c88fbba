package outlet

import (
	"context"
	"errors"
	"hash/fnv"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"diastole/agent/store"
)

const (
	// batchRows is how many rows a sender is given at once.
	batchRows = 500
	// drainTime is how long a receiver that works may take for the last rows after the end was asked for.
	drainTime = 5 * time.Second
	// sameErrorQuiet is how long the same error of a receiver is not logged again.
	sameErrorQuiet = 10 * time.Minute
)

// Outbox is what a Runner needs of the store.
type Outbox interface {
	Pending(ctx context.Context, receiver string, limit int) ([]store.Row, error)
	Delivered(ctx context.Context, receiver string, seq int64) error
	SetAside(ctx context.Context, receiver string, row store.Row, reason string) error
}

// State is how a receiver fares. Times are of the wall clock and zero where the thing never happened.
type State struct {
	Receiver string
	// Sent, SetAside and Failures count rows confirmed, rows the receiver can never take, and failed
	// attempts, since the start of the process.
	Sent, SetAside, Failures int64
	LastSuccess              time.Time
	// Failing is the time of the first of the failures in a row that last until now; zero: it works.
	Failing time.Time
	// LastFailure and Error are the newest failure, also after things work again.
	LastFailure time.Time
	Error       string
	// NextTry is when a failing receiver is tried again.
	NextTry time.Time
}

// Runner sends what waits in the outbox, one goroutine a receiver.
type Runner struct {
	workers []*worker
}

// NewRunner makes a runner that is not yet running. Senders must have different names. seed sets the jitter
// of the waits apart between agents; it need not be secret.
func NewRunner(box Outbox, senders []Sender, seed uint64, log *slog.Logger) *Runner {
	r := &Runner{}
	for _, s := range senders {
		h := fnv.New64a()
		h.Write([]byte(s.Name()))
		r.workers = append(r.workers, &worker{
			box: box, sender: s, log: log.With("receiver", s.Name()),
			wake:  make(chan struct{}, 1),
			pace:  backoff{rng: rand.New(rand.NewPCG(seed, h.Sum64()))},
			state: State{Receiver: s.Name()},
		})
	}
	return r
}

// Receivers is what the store must know before Run.
func (r *Runner) Receivers() []store.Receiver {
	all := make([]store.Receiver, len(r.workers))
	for i, w := range r.workers {
		all[i] = store.Receiver{Name: w.sender.Name(), Kinds: w.sender.Kinds()}
	}
	return all
}

// Run sends until ctx ends, gives receivers that work a last chance of five seconds, closes the senders and
// returns when all goroutines have ended.
func (r *Runner) Run(ctx context.Context) {
	var wg sync.WaitGroup
	for _, w := range r.workers {
		wg.Go(func() { w.run(ctx) })
	}
	wg.Wait()
}

// Wake tells that rows were committed. It never blocks.
func (r *Runner) Wake() {
	for _, w := range r.workers {
		select {
		case w.wake <- struct{}{}:
		default: // it is awake already
		}
	}
}

// States tells how each receiver fares, in the order of the senders.
func (r *Runner) States() []State {
	all := make([]State, len(r.workers))
	for i, w := range r.workers {
		w.mu.Lock()
		all[i] = w.state
		w.mu.Unlock()
	}
	return all
}

// worker is one receiver's goroutine.
type worker struct {
	box    Outbox
	sender Sender
	log    *slog.Logger
	wake   chan struct{}
	pace   backoff

	logged   string // the error that was logged last, and when
	loggedAt time.Time

	mu    sync.Mutex
	state State
}

func (w *worker) run(ctx context.Context) {
	defer w.sender.Close()
	sending, cut := w.grace(ctx)
	defer cut()
	for {
		err := w.pass(ctx, sending)
		if ctx.Err() != nil {
			break
		}
		var timer <-chan time.Time
		wake := w.wake
		if err != nil {
			// While a receiver is down new rows do not make it come back sooner.
			wake, timer = nil, time.After(w.failed(err))
		}
		select {
		case <-ctx.Done():
		case <-wake:
		case <-timer:
		}
	}
	w.drain(sending)
}

// grace is the context of the requests. It outlives ctx by drainTime: a request that a stop cuts off leaves open whether
// the receiver has the row, and it would get it again at the next start. A receiver that does not work is not waited for.
func (w *worker) grace(ctx context.Context) (sending context.Context, cut context.CancelFunc) {
	sending, cut = context.WithCancel(context.WithoutCancel(ctx))
	context.AfterFunc(ctx, func() {
		if w.snapshot().Failing.IsZero() {
			time.AfterFunc(drainTime, cut)
		} else {
			cut()
		}
	})
	return sending, cut
}

// drain sends the last rows after the end was asked for. What fails now waits for the next start.
func (w *worker) drain(sending context.Context) {
	if !w.snapshot().Failing.IsZero() {
		return
	}
	if err := w.pass(sending, sending); err != nil {
		w.log.Info("the last rows wait for the next start", "error", err)
	}
}

// pass sends until nothing waits, ctx ends, or something fails that is to be tried again.
func (w *worker) pass(ctx, sending context.Context) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		limit := batchRows
		if w.pace.failures > 0 {
			limit = 1 // enough to see whether a receiver that was down is back
		}
		rows, err := w.box.Pending(ctx, w.sender.Name(), limit)
		if err != nil || len(rows) == 0 {
			return err
		}
		done, err := w.sender.Send(sending, rows)
		// What the receiver has taken is noted also where the end was asked for meanwhile: it must not get it again.
		noting := context.WithoutCancel(ctx)
		if done > 0 {
			if err := w.box.Delivered(noting, w.sender.Name(), rows[done-1].Seq); err != nil {
				return err
			}
			w.succeeded(done)
		}
		switch {
		case err == nil && done < len(rows):
			return errors.New("the sender stopped in mid-batch without a reason")
		case IsPermanent(err):
			w.log.Error("the receiver can not take a row; it was set aside",
				"seq", rows[done].Seq, "kind", rows[done].Kind, "pump", rows[done].Pump, "id", rows[done].ID, "error", err)
			if err := w.box.SetAside(noting, w.sender.Name(), rows[done], err.Error()); err != nil {
				return err
			}
			w.setAside()
		case err != nil:
			return err
		}
	}
}

// succeeded notes rows that were confirmed, and that the receiver works.
func (w *worker) succeeded(rows int) {
	w.pace.reset()
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.state.Failing.IsZero() {
		w.log.Info("the receiver works again", "was_down_since", w.state.Failing)
		w.logged = ""
	}
	w.state.Sent += int64(rows)
	w.state.LastSuccess = time.Now()
	w.state.Failing, w.state.NextTry = time.Time{}, time.Time{}
}

func (w *worker) setAside() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.state.SetAside++
}

// failed notes a failure and tells how long to wait. The same error again is logged now and then only; the
// count is exact.
func (w *worker) failed(err error) time.Duration {
	wait := w.pace.next(waitAsked(err))
	now := time.Now()
	if err.Error() != w.logged || now.Sub(w.loggedAt) >= sameErrorQuiet {
		w.log.Warn("the receiver could not be told; it is tried again", "error", err, "wait", wait.Round(time.Millisecond))
		w.logged, w.loggedAt = err.Error(), now
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.state.Failures++
	w.state.LastFailure, w.state.Error = now, err.Error()
	if w.state.Failing.IsZero() {
		w.state.Failing = now
	}
	w.state.NextTry = now.Add(wait)
	return wait
}

func (w *worker) snapshot() State {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.state
}
