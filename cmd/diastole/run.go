package main

import (
	"context"
	"errors"
	"time"

	"diastole/agent"
	"diastole/agent/config"
	"diastole/agent/intake/session"
)

// stopTime bounds what stopping may take.
const stopTime = 30 * time.Second

type runCommand struct {
	Config string `short:"c" required:"" type:"path" placeholder:"FILE" help:"the configuration"`
	Record string `type:"path" placeholder:"OUT" help:"write what is received to a recording (.gz and .zst are packed)"`
}

// Run implements the command.
func (c *runCommand) Run(ctx context.Context, s *streams) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return err
	}
	session.BridgeLogs(s.log)
	a, err := agent.New(ctx, agent.Options{Config: cfg, Log: s.log, Record: c.Record})
	if err != nil {
		return err
	}
	if err := a.Start(ctx); err != nil {
		return err
	}
	s.log.Info("the agent runs", "page", "http://"+a.Addr()+"/", "site", cfg.Site, "pumps", len(cfg.Pumps))
	<-ctx.Done()
	s.log.Info("the agent stops")
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer cancel()
	if err := a.Stop(bounded); err != nil {
		return errors.Join(errors.New("the agent did not stop cleanly"), err)
	}
	return nil
}
