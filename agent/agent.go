// Package agent is the running agent: it owns the goroutines, the sockets, the disk and the wall clock around a
// watched site.
package agent

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/intake/recording"
	"diastole/agent/intake/session"
	"diastole/agent/outlet"
	"diastole/agent/store"
	"diastole/agent/watch"
	"diastole/agent/web"
)

// Options are what an agent is made from.
type Options struct {
	Config *config.Config
	Log    *slog.Logger
	// Record is a file to which what was received is written; empty: none.
	Record string
	// Clock gives the wall-clock time of arrivals and of what people do; nil: time.Now. How often the disk is
	// written goes by time.Now in any case, so that a clock that runs fast does not wear it out.
	Clock func() time.Time
	// Tell, where it is not nil, gets the events of pumps in the order of their making. The pipeline calls it, so it
	// must not wait.
	Tell func([]event.Event)
}

// Agent is one running agent. Its goroutines are:
//
//   - the pipeline, the session's own, which alone touches the site;
//   - the committer, which stores what the pipeline made;
//   - one per receiver, in the outlets' runner;
//   - the page's server;
//   - housekeeping of the store.
//
// They end in the order of the data: the session first, then the committer, the outlets, the page, the store.
type Agent struct {
	cfg    *config.Config
	log    *slog.Logger
	clock  func() time.Time
	broker *broker
	site   *watch.Site
	acts   chan act
	tell   func([]event.Event)
	// tee records what was received, heard is the arrival of the newest message and passed the newest tick, turned is when what
	// came out was last handed over, of time.Now; only the pipeline touches them.
	tee           *recording.Writer
	teeFail       bool
	heard, passed time.Time
	turned        time.Time
	// early is what came out before there was a pipeline: that of history.
	early watch.Output

	session *session.Session
	store   *store.Store
	commits *committer
	runner  *outlet.Runner
	web     *web.Server

	status  atomic.Pointer[board]
	viewers viewers

	cancelSession, cancelRest context.CancelFunc
	sessionDone               chan struct{}
	rest                      sync.WaitGroup
	undo                      []func(context.Context) error
	stopOnce                  sync.Once
	stopErr                   error
}

// New makes an agent: opens the store, restores what is known of the pumps, binds the page's address. Nothing runs until
// Start. On an error everything is closed again.
func New(ctx context.Context, o Options) (*Agent, error) {
	if o.Clock == nil {
		o.Clock = time.Now
	}
	a := &Agent{cfg: o.Config, log: o.Log, clock: o.Clock, acts: make(chan act), tell: o.Tell, sessionDone: make(chan struct{})}
	if err := a.build(ctx, o); err != nil {
		return nil, errors.Join(err, a.unwind(context.WithoutCancel(ctx)))
	}
	return a, nil
}

// build makes the parts, from the receiving end backwards, and pushes what closes each.
func (a *Agent) build(ctx context.Context, o Options) error {
	var err error
	if a.store, err = store.Open(ctx, a.cfg.StatePath(), store.Options{Log: a.log}); err != nil {
		return fmt.Errorf("state: %w", err)
	}
	a.closing("state", func(context.Context) error { return a.store.Close() }) //nolint:contextcheck // closing takes none
	if a.site, err = watch.New(a.cfg, a.log); err != nil {
		return err
	}
	if err := a.restore(ctx); err != nil {
		return err
	}
	if err := a.learnHistory(ctx); err != nil {
		return err
	}
	if a.cfg.MQTT.Listen != "" {
		if a.broker, err = startBroker(a.cfg.MQTT.Listen, a.log); err != nil {
			return fmt.Errorf("embedded broker: %w", err)
		}
		a.closing("embedded broker", func(context.Context) error { return a.broker.close() })
	}
	mqtt := a.cfg.MQTT
	if a.broker != nil {
		mqtt.Broker = "mqtt://" + a.broker.addr()
	}
	if a.session, err = session.New(mqtt, a.site.Router().Topics(), a.clock, a.log); err != nil {
		return fmt.Errorf("mqtt: %w", err)
	}
	if o.Record != "" {
		if a.tee, err = recording.Create(o.Record); err != nil {
			return fmt.Errorf("record: %w", err)
		}
		a.closing("recording", func(context.Context) error { return a.tee.Close() })
	}
	senders, err := a.senders(mqtt)
	if err != nil {
		return err
	}
	seed := fnv.New64a()
	seed.Write([]byte(a.cfg.Site + mqtt.ClientID))
	a.runner = outlet.NewRunner(a.store, senders, seed.Sum64(), a.log)
	if err := a.store.SetReceivers(ctx, a.runner.Receivers()); err != nil {
		return fmt.Errorf("outbox: %w", err)
	}
	a.commits = newCommitter(a.store, a.runner.Wake, time.Now, a.log)
	metrics, err := a.metrics()
	if err != nil {
		return fmt.Errorf("metrics: %w", err)
	}
	a.web = web.New(&source{a}, metrics, a.log)
	a.publish()
	return nil
}

// Start lets the agent run until Stop. The error is about the page's address.
func (a *Agent) Start(ctx context.Context) error {
	// What runs outlives the caller's context, so that Stop decides the order in which it ends.
	base := context.WithoutCancel(ctx)
	if err := a.web.Start(base, a.cfg.Web.Listen); err != nil {
		return errors.Join(err, a.unwind(base))
	}
	a.closing("page", a.web.Stop)
	sessionCtx, cancelSession := context.WithCancel(base)
	restCtx, cancelRest := context.WithCancel(base)
	a.cancelSession, a.cancelRest = cancelSession, cancelRest
	a.rest.Go(func() { a.runner.Run(restCtx) })
	a.rest.Go(func() { a.keepHouse(restCtx) })
	go func() { // waited for in Stop, through sessionDone
		defer close(a.sessionDone)
		a.session.Run(sessionCtx, a.message, a.tick)
	}()
	a.commits.start() //nolint:contextcheck // it ends by stop, with nothing lost
	return nil
}

// Stop ends the agent with nothing lost: what was received is judged and stored, then the receivers have a last chance,
// then the page closes. It returns when everything has ended or, with an error, when ctx ends.
func (a *Agent) Stop(ctx context.Context) error {
	a.stopOnce.Do(func() {
		if a.cancelSession != nil {
			a.cancelSession()
			<-a.sessionDone
			a.recordEnd()
			a.handOver(true)
			a.stopErr = a.commits.stop(ctx)
			a.cancelRest()
			a.rest.Wait()
		}
		a.stopErr = errors.Join(a.stopErr, a.unwind(ctx))
	})
	return a.stopErr
}

// Addr is the address of the page.
func (a *Agent) Addr() string { return a.web.Addr() }

// BrokerAddr is the address of the embedded broker, empty where there is none.
func (a *Agent) BrokerAddr() string {
	if a.broker == nil {
		return ""
	}
	return a.broker.addr()
}

// Session tells how the session that the sensor messages come through fares.
func (a *Agent) Session() session.Status { return a.session.Status() }

// Judged is how many messages the pumps' channels have taken from the session since New.
func (a *Agent) Judged() int64 {
	var n int64
	for _, r := range a.site.Router().Routes() {
		n += r.Stats().Messages
	}
	return n
}

// closing pushes a step that Stop takes, the last one first.
func (a *Agent) closing(what string, step func(context.Context) error) {
	a.undo = append(a.undo, func(ctx context.Context) error {
		if err := step(ctx); err != nil {
			return fmt.Errorf("close the %s: %w", what, err)
		}
		return nil
	})
}

func (a *Agent) unwind(ctx context.Context) error {
	var errs []error
	for len(a.undo) > 0 {
		last := len(a.undo) - 1
		errs = append(errs, a.undo[last](ctx))
		a.undo = a.undo[:last]
	}
	return errors.Join(errs...)
}

// keepHouse lets the store forget what is too old.
func (a *Agent) keepHouse(ctx context.Context) {
	hourly := time.NewTicker(time.Hour)
	defer hourly.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-hourly.C:
			if err := a.store.Maintain(ctx, a.clock()); err != nil {
				a.log.Warn("the store could not be tidied; it will be tried again in an hour", "error", err)
			}
		}
	}
}

// busyTurn is how long messages that follow each other without a pause may keep what came out of them from being handed over.
const busyTurn = 5 * time.Second

// message is the pipeline's way for one message.
func (a *Agent) message(m intake.Message) {
	a.record(m)
	a.heard = m.Arrival
	a.site.Message(m)
	a.request()
	if time.Since(a.turned) > busyTurn {
		a.turn()
	}
}

// record writes what the site is about to see. A recording that fails ends; the agent goes on.
func (a *Agent) record(m intake.Message) {
	if a.tee == nil || a.teeFail {
		return
	}
	if err := a.tee.Write(m); err != nil {
		a.teeFail = true
		a.log.Error("the recording has ended: it cannot be written", "error", err)
	}
}

// endTopic is the topic of a recording's last line where silence followed the last message. No broker sends it (MQTT 3.1.1,
// 4.7.2), and it feeds no channel: its time alone tells a replay how long the agent has listened.
const endTopic = "$diastole/end"

// recordEnd notes how long the agent has listened after the last message.
func (a *Agent) recordEnd() {
	if a.passed.After(a.heard) {
		a.record(intake.Message{Arrival: a.passed, Topic: endTopic})
	}
}
