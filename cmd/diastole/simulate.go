package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/recording"
	"diastole/agent/simulate"
	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/plant/steady"
	"diastole/model/pump"
)

type simulateCommand struct {
	Recording simulateRecording `cmd:"" default:"withargs" help:"write a recording of simulated pumps, with a configuration and the truth beside it"`
	Map       simulateMap       `cmd:"" help:"print what a pump delivers, how fast it strokes and what air it takes, over the discharge pressure"`
}

type simulateRecording struct {
	Scenario string `arg:"" type:"existingfile" help:"the scenario, a YAML file"`
	Output   string `short:"o" required:"" type:"path" placeholder:"OUT" help:"the recording, .ndjson, packed where the name ends in .gz or .zst"`
	Config   string `type:"path" placeholder:"FILE" help:"where the matching configuration goes; default beside the recording, .yaml"`
	Truth    string `type:"path" placeholder:"FILE" help:"where the truth goes; default beside the recording, .truth.json"`
}

// Run implements the command.
func (c *simulateRecording) Run(ctx context.Context, s *streams) error {
	plan, err := simulate.Load(c.Scenario)
	if err != nil {
		return err
	}
	base := c.Output
	for _, ending := range []string{".gz", ".zst", ".ndjson"} {
		base = strings.TrimSuffix(base, ending)
	}
	configPath, truthPath := cmp.Or(c.Config, base+".yaml"), cmp.Or(c.Truth, base+".truth.json")
	for _, path := range []string{c.Output, configPath, truthPath} { // before anything is written
		if _, err := os.Lstat(path); err == nil {
			return fmt.Errorf("%s exists; name another file, nothing is overwritten", path)
		}
	}
	if err := writeNew(configPath, plan.WriteConfiguration); err != nil {
		return err
	}
	if err := writeNew(truthPath, func(w io.Writer) error { return plan.WriteTruth(w, filepath.Base(base)) }); err != nil {
		return err
	}
	w, err := recording.Create(c.Output)
	if err != nil {
		return err
	}
	began, n := time.Now(), 0
	err = plan.Play(ctx, func(m intake.Message) error {
		n++
		return w.Write(m)
	})
	if err := errors.Join(err, w.Close()); err != nil {
		return err
	}
	fmt.Fprintf(s.err, "%d messages of %d pumps over %v in %.1f s: %s, configuration %s, truth %s.\n",
		n, len(plan.Scenario.Pumps), plan.Scenario.Length, time.Since(began).Seconds(), c.Output, configPath, truthPath)
	return nil
}

// writeNew writes a file that must not exist yet.
func writeNew(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return errors.Join(write(f), f.Close())
}

type simulateMap struct {
	Model string   `arg:"" help:"a built-in size, such as generic-one-inch"`
	Air   []string `default:"3 bar,5 bar,7 bar" placeholder:"PRESSURES" help:"air pressures at the regulator, one curve each"`
	SVG   string   `name:"svg" type:"path" placeholder:"FILE" help:"also draw it"`
	CSV   string   `name:"csv" type:"path" placeholder:"FILE" help:"write the table there; default standard output"`
}

// Run implements the command.
func (c *simulateMap) Run(s *streams) error {
	params, err := plant.Generic(c.Model)
	if err != nil {
		return fmt.Errorf("%w: model %q is not known; allowed are %s", errUsage, c.Model, strings.Join(pump.GenericNames(), ", "))
	}
	pressures := make([]float64, len(c.Air))
	for i, text := range c.Air {
		if pressures[i], err = config.ParseMeasure(signal.AirInletPressure, strings.TrimSpace(text)); err != nil {
			return fmt.Errorf("%w: --air: %w", errUsage, err)
		}
	}
	points, err := steady.Map(params, plant.Faults{}, pressures...)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	if c.SVG != "" {
		if err := writeNew(c.SVG, func(w io.Writer) error { return steady.SVG(w, c.Model, points) }); err != nil {
			return err
		}
	}
	if c.CSV != "" {
		return writeNew(c.CSV, func(w io.Writer) error { return steady.CSV(w, points) })
	}
	return steady.CSV(s.out, points)
}
