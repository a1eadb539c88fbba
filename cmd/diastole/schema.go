package main

import (
	"fmt"

	"diastole/agent/config"
	"diastole/agent/event"
)

type schemaCommand struct {
	Of string `arg:"" enum:"config,event" help:"config or event"`
}

// Run implements the command.
func (c *schemaCommand) Run(s *streams) error {
	schema := config.Schema
	if c.Of == "event" {
		schema = event.Schema
	}
	data, err := schema()
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintln(s.out, string(data)); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}
