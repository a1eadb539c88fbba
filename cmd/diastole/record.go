package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/recording"
	"diastole/agent/intake/session"
)

type recordCommand struct {
	Config string        `short:"c" required:"" type:"path" placeholder:"FILE" help:"the configuration"`
	Out    string        `short:"o" required:"" type:"path" placeholder:"OUT" help:"the recording to write (.gz and .zst are packed)"`
	For    time.Duration `placeholder:"DURATION" help:"how long, such as 8h; without it until Ctrl-C"`
}

// Run implements the command.
func (c *recordCommand) Run(ctx context.Context, s *streams) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return err
	}
	if cfg.MQTT.Broker == "" {
		return fmt.Errorf("%w: %s has no mqtt.broker to record from", errUsage, c.Config)
	}
	router, err := intake.NewRouter(cfg.Pumps, s.log)
	if err != nil {
		return err
	}
	// A client id of its own, and nothing that the broker would keep for it: a running agent with the same
	// configuration is not disturbed.
	m := cfg.MQTT
	m.ClientID += "-record"
	session.BridgeLogs(s.log)
	in, err := session.New(m, router.Topics(), time.Now, s.log)
	if err != nil {
		return err
	}
	out, err := recording.Create(c.Out)
	if err != nil {
		return err
	}
	if c.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.For)
		defer cancel()
	}
	ctx, failed := context.WithCancelCause(ctx)
	defer failed(nil)
	n := 0
	in.Run(ctx, func(msg intake.Message) {
		if ctx.Err() != nil && !errors.Is(context.Cause(ctx), ctx.Err()) {
			return // the file failed
		}
		if err := out.Write(msg); err != nil {
			failed(err)
			return
		}
		n++
	}, func(time.Time) {})
	err = out.Close()
	if cause := context.Cause(ctx); cause != nil && !errors.Is(cause, context.Canceled) && !errors.Is(cause, context.DeadlineExceeded) {
		err = errors.Join(cause, err)
	}
	s.log.Info("recorded", "messages", n, "file", c.Out)
	return err
}
