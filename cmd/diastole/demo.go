package main

import (
	"context"
	"time"

	"diastole/agent/demo"
)

type demoCommand struct {
	For time.Duration `placeholder:"DURATION" help:"end by itself after this time; without it at Ctrl-C"`
}

// Run implements the command.
func (c *demoCommand) Run(ctx context.Context, s *streams) error {
	if c.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.For)
		defer cancel()
	}
	return demo.Run(ctx, demo.Options{Out: s.out, Log: s.log})
}
