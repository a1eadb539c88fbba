// Package demo runs the agent beside a simulated plant: its broker, its page, and six pumps of which some wear.
//
// The plant samples its pumps in bursts, and its hours pass in seconds. The agent's clock is stepped by the simulator: it
// stands while the samples of a second travel and jumps over the pauses, so that how long a message takes on this machine
// is not taken for minutes of the plant.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"time"

	"diastole/agent"
	"diastole/agent/config"
	"diastole/agent/event"
)

// Options are how the demonstration is run.
type Options struct {
	// Log is the agent's.
	Log *slog.Logger
	// Out is told in plain words what will happen and what happens.
	Out io.Writer
	// Listen is host:port of the page, on the loopback interface; empty: a free port.
	Listen string
	// Speed is how many hours of the plant pass in a second; 0: one; +Inf: as many as this machine can simulate.
	Speed float64
	// For is the time of the plant after which the demonstration ends by itself; 0: only ctx ends it.
	For time.Duration
	// Seed fixes all that is random in the plant.
	Seed uint64
}

// stopTime bounds what stopping may take.
const stopTime = 30 * time.Second

// Run runs the demonstration until ctx ends, or as long as the options say. It then takes everything down, removes what it
// wrote, and returns nil. The agent's state lies in a folder of its own under the system's temporary folder.
func Run(ctx context.Context, o Options) error {
	_, err := play(ctx, o)
	return err
}

// play is Run; it also gives what became of each pump.
func play(ctx context.Context, o Options) (_ []fate, err error) {
	if o.Speed == 0 {
		o.Speed = 1
	}
	if !(o.Speed > 0) || o.For < 0 {
		return nil, fmt.Errorf("demo: speed is %g and length %v; the speed must be above 0, the length must not be below", o.Speed, o.For)
	}
	dir, err := os.MkdirTemp("", "diastole-demo-")
	if err != nil {
		return nil, fmt.Errorf("demo: folder for the state: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	cfg, err := configuration(dir, o.Listen)
	if err != nil {
		return nil, err
	}
	stage, err := newStage(cfg, o.Seed)
	if err != nil {
		return nil, err
	}
	story := newStory(o.Out)
	tell := func(events []event.Event) {
		story.events(events)
		stage.orders.note(events)
	}
	a, err := agent.New(ctx, agent.Options{Config: cfg, Log: o.Log, Clock: stage.clock.now, Tell: tell})
	if err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	if err := a.Start(ctx); err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	story.begin(cfg, a.Addr(), a.BrokerAddr(), o.Speed)
	err = feed(ctx, a, stage, o)
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer cancel()
	if stopErr := a.Stop(bounded); stopErr != nil {
		err = errors.Join(err, fmt.Errorf("demo: the agent did not stop cleanly: %w", stopErr))
	}
	fates := story.end(stage.after())
	return fates, errors.Join(err, story.err)
}

// configuration is that of plant.yaml, with the state in dir and the page at listen.
func configuration(dir, listen string) (*config.Config, error) {
	cfg, err := config.Parse("plant.yaml", plantFile)
	if err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	cfg.StateDir = dir
	if listen != "" {
		cfg.Web.Listen = listen
	}
	return cfg, nil
}

// feed plays the plant into the agent's broker until ctx ends or the options' time is over.
func feed(ctx context.Context, a *agent.Agent, s *stage, o Options) error {
	g, err := newGateway(ctx, a, s)
	if err != nil {
		return ended(ctx, err)
	}
	defer g.close()
	end := length
	if o.For > 0 {
		end = min(end, o.For)
	}
	for s.after() < end {
		next := time.Now().Add(time.Duration(float64(time.Second) / math.Min(o.Speed, 1e9)))
		if err := g.hour(ctx); err != nil {
			return ended(ctx, err)
		}
		if !sleep(ctx, time.Until(next)) {
			return nil
		}
	}
	if o.For == 0 {
		<-ctx.Done() // the page goes on showing what was found
	}
	return nil
}

// ended is err, or nil where the end was asked for.
func ended(ctx context.Context, err error) error {
	if ctx.Err() == nil {
		return err
	}
	return nil
}

// sleep waits for d and reports false where ctx ended first.
func sleep(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}
