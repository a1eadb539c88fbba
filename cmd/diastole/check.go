package main

import (
	"context"
	"fmt"
	"strings"
	"text/tabwriter"

	"diastole/agent/config"
	"diastole/detect"
	"diastole/detect/diagnose"
)

type checkCommand struct {
	Config string `short:"c" required:"" type:"path" placeholder:"FILE" help:"the configuration"`
}

// Run implements the command.
func (c *checkCommand) Run(ctx context.Context, s *streams) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return err
	}
	pumps := fmt.Sprintf("%d pumps", len(cfg.Pumps))
	if len(cfg.Pumps) == 1 {
		pumps = "1 pump"
	}
	fmt.Fprintf(s.out, "%s is valid: site %s, %s.\n", c.Config, cfg.Site, pumps)
	siteWords(s.out, cfg)
	found := outlooks{w: s.out, cfg: cfg, shown: map[string]string{}}
	for i := range cfg.Pumps {
		p := &cfg.Pumps[i]
		set := p.Settings
		if set.Hypotheses, err = diagnose.Hypotheses(set.Model); err != nil {
			return fmt.Errorf("pump %s: %w", p.ID, err)
		}
		set.Hypotheses = detect.Possible(set, set.Hypotheses)
		fmt.Fprintf(s.out, "\n%s (%s)\n", p.ID, set.Model.Name)
		w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
		for _, x := range detect.Sights(set) {
			kind, name := "fault", string(x.Fault)
			if x.Fault == "" {
				kind, name = "cause", string(x.Cause)
			}
			_, _ = fmt.Fprintf(w, "  %s\t%s\t%s\n", kind, name, sightWords(x))
		}
		for _, x := range stateSights(p) {
			_, _ = fmt.Fprintf(w, "  %s\t%s\t%s\n", x[0], x[1], x[2])
		}
		for _, x := range detect.SensorChecks(set) {
			_, _ = fmt.Fprintf(w, "  sensor\t%s\t%s\n", x.Channel, sensorWords(x))
		}
		if err := w.Flush(); err != nil {
			return fmt.Errorf("write: %w", err)
		}
		for _, n := range notes(p) {
			fmt.Fprintf(s.out, "  note: %s\n", n)
		}
		if err := found.write(ctx, p, set); err != nil {
			return err
		}
	}
	return nil
}

// sensorWords lists what is looked for at a sensor.
func sensorWords(x detect.SensorCheck) string {
	names := make([]string, len(x.Kinds))
	for i, k := range x.Kinds {
		names[i] = k.String()
	}
	return "checked for " + strings.Join(names, ", ")
}

// sightWords says whether these channels show it, and else what is missing.
func sightWords(x detect.Sight) string {
	if x.Seen {
		return "can be shown"
	}
	if len(x.Missing) == 0 {
		return "cannot be told apart by any single channel more"
	}
	names := make([]string, len(x.Missing))
	for i, c := range x.Missing {
		names[i] = c.String()
	}
	return "cannot be shown without " + strings.Join(names, " and ")
}
