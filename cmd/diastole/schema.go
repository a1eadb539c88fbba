package main

import (
	"fmt"

	"diastole/agent/config"
	"diastole/agent/event"
)

type schemaCommand struct {
	Of string `arg:"" enum:"config,event,catalogue" help:"config, event or catalogue"`
}

// Run implements the command.
func (c *schemaCommand) Run(s *streams) error {
	schema := config.Schema
	switch c.Of {
	case "event":
		schema = event.Schema
	case "catalogue":
		schema = config.CatalogueSchema
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
