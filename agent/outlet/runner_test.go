package outlet

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/prometheus/common/expfmt"

	"diastole/agent/event"
	"diastole/agent/store"
)

var errDown = errors.New("receiver is down")

// A receiver that is down for a week gets everything, in order, and another one does not notice.
func TestDownForAWeek(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got []string
		var latency []time.Duration
		var attempts atomic.Int64
		up := time.Now().Add(7 * 24 * time.Hour)
		name := func(r store.Row) string { return fmt.Sprintf("%s %s%s", r.Kind, r.ID, r.Time.Format(time.RFC3339)) }
		down := &fakeSender{name: "down", kinds: store.KindsOf(store.KindEvent, store.KindEpoch), take: func(_ context.Context, r store.Row) error {
			attempts.Add(1)
			if time.Now().Before(up) {
				return errDown
			}
			got = append(got, name(r))
			return nil
		}}
		var committed time.Time
		well := &fakeSender{name: "well", kinds: store.KindsOf(store.KindEvent), take: func(context.Context, store.Row) error {
			latency = append(latency, time.Since(committed))
			return nil
		}}
		runner := NewRunner(nil, []Sender{down, well}, 1, quiet(t))
		box := openStore(t, store.Options{}, runner.Receivers()...)
		runner = NewRunner(box, []Sender{down, well}, 1, quiet(t))
		stop := start(t, runner)
		var want []string
		for n := range 7 * 24 { // an event and an epoch each hour
			e, p := someEvent(60*n), someEpoch(60*n)
			committed = time.Now()
			commit(t, box, store.Batch{Events: []event.Event{e}, Epochs: []store.Epoch{{Pump: "P-101", Epoch: p}}})
			runner.Wake()
			want = append(want, "epoch "+p.Start.Format(time.RFC3339), "event "+e.ID+e.Time.Format(time.RFC3339))
			time.Sleep(time.Hour)
		}
		synctest.Wait()
		tries := attempts.Load()
		time.Sleep(longWait)
		synctest.Wait()
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("received (-want +got):\n%s", d)
		}
		// Between 2.5 and 5 minutes apart for a week: 2016 to 4032 tries, and some quick ones at first.
		if tries < 2016 || tries > 4032+20 {
			t.Errorf("%d attempts in a week", tries)
		}
		if len(latency) != 7*24 {
			t.Errorf("the other receiver got %d of %d events", len(latency), 7*24)
		}
		for i, l := range latency {
			if l != 0 {
				t.Errorf("event %d reached the receiver that was well after %s", i, l)
			}
		}
		states := runner.States()
		if s := states[0]; s.Sent != int64(len(want)) || !s.Failing.IsZero() || s.Error != errDown.Error() || s.Failures != tries {
			t.Errorf("state: %+v", s)
		}
		stop()
		closeStore(t, box)
	})
}

func TestStateWhileDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSender{name: "a", kinds: store.KindsOf(store.KindEvent), take: func(context.Context, store.Row) error {
			return RetryAfter(errDown, 42*time.Minute)
		}}
		box := openStore(t, store.Options{}, store.Receiver{Name: "a", Kinds: s.kinds})
		commit(t, box, store.Batch{Events: []event.Event{someEvent(1)}})
		runner := NewRunner(box, []Sender{s}, 1, quiet(t))
		began := time.Now()
		stop := start(t, runner)
		synctest.Wait()
		want := State{Receiver: "a", Failures: 1, Failing: began, LastFailure: began, Error: errDown.Error(), NextTry: began.Add(42 * time.Minute)}
		if d := cmp.Diff([]State{want}, runner.States()); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
		// More rows do not bring the next try forward.
		commit(t, box, store.Batch{Events: []event.Event{someEvent(2)}})
		runner.Wake()
		time.Sleep(42*time.Minute - 1)
		synctest.Wait()
		if n := runner.States()[0].Failures; n != 1 {
			t.Errorf("%d tries before the time that the receiver asked for", n)
		}
		time.Sleep(time.Nanosecond)
		synctest.Wait()
		if n := runner.States()[0].Failures; n != 2 {
			t.Errorf("%d tries at the time that the receiver asked for", n)
		}
		stop()
		closeStore(t, box)
	})
}

func TestPoisonIsSetAsideAndTheRestGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got []string
		bad := someEvent(2).ID
		s := &fakeSender{name: "a", kinds: store.KindsOf(store.KindEvent), take: func(_ context.Context, r store.Row) error {
			if r.ID == bad {
				return fmt.Errorf("wrapped: %w", Permanent(errors.New("it is too blue")))
			}
			got = append(got, r.ID)
			return nil
		}}
		box := openStore(t, store.Options{}, store.Receiver{Name: "a", Kinds: s.kinds})
		commit(t, box, store.Batch{Events: []event.Event{someEvent(1), someEvent(2), someEvent(3)}})
		runner := NewRunner(box, []Sender{s}, 1, quiet(t))
		stop := start(t, runner)
		synctest.Wait()
		stop()
		if d := cmp.Diff([]string{someEvent(1).ID, someEvent(3).ID}, got); d != "" {
			t.Errorf("received (-want +got):\n%s", d)
		}
		aside := must(box.SetAsideRows(t.Context(), "a", 10))(t)
		if len(aside) != 1 || aside[0].Row.ID != bad || !strings.Contains(aside[0].Reason, "too blue") {
			t.Errorf("set aside: %+v", aside)
		}
		if st := runner.States()[0]; st.SetAside != 1 || st.Sent != 2 || st.Failures != 0 {
			t.Errorf("state: %+v", st)
		}
		closeStore(t, box)
	})
}

// What was committed just before the end still goes out, unless the receiver is known to be down.
func TestLastRowsAtTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got []string
		well := &fakeSender{name: "well", kinds: store.KindsOf(store.KindEvent), take: func(_ context.Context, r store.Row) error {
			got = append(got, r.ID)
			return nil
		}}
		stuck := &fakeSender{name: "stuck", kinds: store.KindsOf(store.KindEvent), take: func(ctx context.Context, _ store.Row) error {
			<-ctx.Done()
			return ctx.Err()
		}}
		box := openStore(t, store.Options{}, store.Receiver{Name: "well", Kinds: well.kinds}, store.Receiver{Name: "stuck", Kinds: stuck.kinds})
		runner := NewRunner(box, []Sender{well, stuck}, 1, quiet(t))
		stop := start(t, runner)
		synctest.Wait()
		commit(t, box, store.Batch{Events: []event.Event{someEvent(1)}}) // and nobody is woken
		began := time.Now()
		stop()
		if took := time.Since(began); took != drainTime {
			t.Errorf("the end took %s", took)
		}
		if len(got) != 1 {
			t.Errorf("received: %v", got)
		}
		if rows := must(box.Pending(t.Context(), "stuck", 10))(t); len(rows) != 1 {
			t.Errorf("%d rows wait for the stuck receiver", len(rows))
		}
		closeStore(t, box)
	})
}

// A request that is under way when the end is asked for is waited for, so that the receiver gets its row once.
func TestStopInMidRequest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var calls atomic.Int64
		slow := &fakeSender{name: "slow", kinds: store.KindsOf(store.KindEvent), take: func(ctx context.Context, _ store.Row) error {
			calls.Add(1)
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(drainTime / 2):
				return nil
			}
		}}
		box := openStore(t, store.Options{}, store.Receiver{Name: "slow", Kinds: slow.kinds})
		commit(t, box, store.Batch{Events: []event.Event{someEvent(1)}})
		stop := start(t, NewRunner(box, []Sender{slow}, 1, quiet(t)))
		synctest.Wait()
		stop()
		if rows := must(box.Pending(t.Context(), "slow", 10))(t); len(rows) != 0 || calls.Load() != 1 {
			t.Errorf("%d calls, %d rows wait", calls.Load(), len(rows))
		}
		closeStore(t, box)
	})
}

// A sender that confirms nothing and gives no reason must not make the runner spin.
func TestSilentSender(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		calls := 0
		s := &silent{calls: &calls}
		box := openStore(t, store.Options{}, store.Receiver{Name: "silent", Kinds: s.Kinds()})
		commit(t, box, store.Batch{Events: []event.Event{someEvent(1)}})
		runner := NewRunner(box, []Sender{s}, 1, quiet(t))
		stop := start(t, runner)
		time.Sleep(time.Hour)
		stop()
		if calls < 10 || calls > 60 || runner.States()[0].Failures == 0 {
			t.Errorf("%d calls in an hour, state %+v", calls, runner.States()[0])
		}
		closeStore(t, box)
	})
}

type silent struct{ calls *int }

func (s *silent) Name() string       { return "silent" }
func (s *silent) Kinds() store.Kinds { return store.KindsOf(store.KindEvent) }
func (s *silent) Close()             {}
func (s *silent) Send(context.Context, []store.Row) (int, error) {
	*s.calls++
	return 0, nil
}

// An outbox that can not be read is a failure like any other.
func TestBrokenOutbox(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSender{name: "a", take: func(context.Context, store.Row) error { return nil }}
		runner := NewRunner(brokenBox{}, []Sender{s}, 1, quiet(t))
		stop := start(t, runner)
		time.Sleep(time.Hour)
		stop()
		if st := runner.States()[0]; st.Failures < 10 || st.Failures > 60 || !strings.Contains(st.Error, "no outbox") {
			t.Errorf("state %+v", st)
		}
	})
}

type brokenBox struct{ Outbox }

func (brokenBox) Pending(context.Context, string, int) ([]store.Row, error) {
	return nil, errors.New("no outbox")
}

// With a small outbox and a receiver that is down, what was sent, what waits and what was dropped add up,
// and the metrics say so.
func TestDropAccountingAndMetrics(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var sent int64
		up := time.Now().Add(24 * time.Hour)
		s := &fakeSender{name: "tsdb", kinds: store.KindsOf(store.KindEvent, store.KindEpoch), take: func(context.Context, store.Row) error {
			if time.Now().Before(up) {
				return errDown
			}
			sent++
			return nil
		}}
		box := openStore(t, store.Options{OutboxBytes: 10_000}, store.Receiver{Name: "tsdb", Kinds: s.kinds})
		runner := NewRunner(box, []Sender{s}, 1, quiet(t))
		reg := prometheus.NewPedanticRegistry()
		if err := NewMetrics(reg, runner, box); err != nil {
			t.Fatal(err)
		}
		stop := start(t, runner)
		total := int64(0)
		for n := range 24 * 12 {
			b := store.Batch{Epochs: []store.Epoch{{Pump: "P-101", Epoch: someEpoch(n)}}}
			if n%24 == 0 {
				b.Events = append(b.Events, someEvent(n))
			}
			total += int64(len(b.Epochs) + len(b.Events))
			commit(t, box, b)
			runner.Wake()
			time.Sleep(5 * time.Minute)
		}
		time.Sleep(longWait)
		synctest.Wait()
		dropped := must(box.Dropped(t.Context()))(t)
		if len(dropped) != 1 || dropped[0].Kind != store.KindEpoch || dropped[0].Rows+sent != total {
			t.Errorf("%d rows, sent %d, dropped %+v", total, sent, dropped)
		}
		want := fmt.Sprintf(`
# HELP diastole_outlet_dropped_total Rows that the receiver never gets, since the state directory began.
# TYPE diastole_outlet_dropped_total counter
diastole_outlet_dropped_total{kind="epoch",reason="outbox-full",receiver="tsdb"} %d
# HELP diastole_outlet_pending_rows Rows that wait for the receiver.
# TYPE diastole_outlet_pending_rows gauge
diastole_outlet_pending_rows{receiver="tsdb"} 0
# HELP diastole_outlet_sent_total Rows that the receiver has confirmed since the start of the agent.
# TYPE diastole_outlet_sent_total counter
diastole_outlet_sent_total{receiver="tsdb"} %d
# HELP diastole_outlet_up 1 while the receiver takes what it is sent, 0 since an attempt failed.
# TYPE diastole_outlet_up gauge
diastole_outlet_up{receiver="tsdb"} 1
`, total-sent, sent)
		text := exposition(t, reg)
		for line := range strings.Lines(strings.TrimPrefix(want, "\n")) {
			if !strings.Contains(text, line) {
				t.Errorf("the metrics lack %s", line)
			}
		}
		problems, err := promlint.New(strings.NewReader(text)).Lint()
		if err != nil || len(problems) > 0 {
			t.Errorf("lint: %v, %v", problems, err)
		}
		stop()
		closeStore(t, box)
	})
}

// exposition is what a scrape sees.
func exposition(t *testing.T, reg prometheus.Gatherer) string {
	t.Helper()
	var text strings.Builder
	for _, family := range must(reg.Gather())(t) {
		if _, err := expfmt.MetricFamilyToText(&text, family); err != nil {
			t.Fatal(err)
		}
	}
	return text.String()
}

func TestBackoff(t *testing.T) {
	b := backoff{rng: rand.New(rand.NewPCG(1, 1))}
	long := time.Second
	for n := range 100 {
		w := b.next(0)
		if w < long/2 || w > long {
			t.Errorf("wait %d is %s, not in [%s, %s]", n, w, long/2, long)
		}
		long = min(2*long, longWait)
	}
	if w := b.next(30 * time.Minute); w != 30*time.Minute {
		t.Errorf("asked for 30 min, waits %s", w)
	}
	if w := b.next(30 * 24 * time.Hour); w != longAsked {
		t.Errorf("asked for a month, waits %s", w)
	}
	b.reset()
	if w := b.next(0); w > time.Second {
		t.Errorf("after a success the first wait is %s", w)
	}
	// Two receivers that fail together do not come back together.
	c := backoff{rng: rand.New(rand.NewPCG(1, 2))}
	d := backoff{rng: rand.New(rand.NewPCG(1, 3))}
	same := 0
	for range 20 {
		if c.next(0) == d.next(0) {
			same++
		}
	}
	if same > 1 {
		t.Errorf("%d of 20 waits are the same", same)
	}
}

// TestWhatWasTakenIsNotedAtTheEnd: a receiver that confirms just when the end is asked for gets nothing twice.
func TestWhatWasTakenIsNotedAtTheEnd(t *testing.T) {
	f := &fakeSender{name: "desk", kinds: store.KindsOf(store.KindEvent)}
	s := openStore(t, store.Options{}, store.Receiver{Name: f.name, Kinds: f.kinds})
	defer closeStore(t, s)
	ctx, cancel := context.WithCancel(t.Context())
	taken := 0
	f.take = func(context.Context, store.Row) error {
		taken++
		cancel() // and yet it is confirmed
		return nil
	}
	commit(t, s, store.Batch{Events: []event.Event{someEvent(1)}})
	NewRunner(s, []Sender{f}, 1, quiet(t)).Run(ctx)
	if taken != 1 {
		t.Errorf("the receiver got the event %d times", taken)
	}
}
