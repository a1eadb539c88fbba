package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // a container from scratch has no zones of its own

	"diastole/agent"
	"diastole/agent/config"
	"diastole/agent/intake/recording"
	"diastole/agent/intake/table"
	"diastole/detect/signal"
)

type importCommand struct {
	Config       string `short:"c" required:"" type:"path" placeholder:"FILE" help:"the configuration"`
	Channel      string `required:"" placeholder:"PUMP/CHANNEL" help:"whose history it is, such as P-101/air_inlet_pressure"`
	Out          string `short:"o" type:"path" placeholder:"OUT" help:"the recording to write (.gz and .zst are packed); default the history in the folder of the state, which the agent learns from when it starts"`
	Time         string `placeholder:"COLUMN" help:"the column of times, by its header or number; default the first"`
	Value        string `placeholder:"COLUMN" help:"the column of values, by its header or number; default the second"`
	Zone         string `placeholder:"ZONE" help:"the zone of times that do not carry their own, such as Europe/Berlin or UTC"`
	DecimalComma bool   `help:"the decimal mark is a comma"`
	DayFirst     bool   `xor:"dates" help:"3/4/2026 is the third of April"`
	MonthFirst   bool   `xor:"dates" help:"3/4/2026 is the fourth of March"`
	CSV          string `arg:"" type:"existingfile" help:"the table, with rows in order of time"`
}

// Help is the longer text of the command.
func (importCommand) Help() string {
	return "Puts a historian's export into the agent's history: pumps of which it knows nothing yet learn from it at the next start of\n" +
		"diastole run. With -o it becomes a recording for diastole replay. Its values are raw numbers as the channel gets them, which the configuration's scale\n" +
		"and unit are applied to. The channels of a pump are merged by time."
}

// badRowsShown is how many bad rows are named.
const badRowsShown = 20

// Run implements the command.
func (c *importCommand) Run(s *streams) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return err
	}
	o := table.Options{Time: c.Time, Value: c.Value, DecimalComma: c.DecimalComma, DayFirst: c.DayFirst, MonthFirst: c.MonthFirst}
	if o.Pump, o.Channel, err = channelOf(cfg, c.Channel); err != nil {
		return fmt.Errorf("%w: --channel: %w", errUsage, err)
	}
	if c.Zone != "" {
		if o.Zone, err = time.LoadLocation(c.Zone); err != nil {
			return fmt.Errorf("%w: --zone: %q is not a zone, such as Europe/Berlin or UTC: %w", errUsage, c.Zone, err)
		}
	}
	in, err := os.Open(c.CSV)
	if err != nil {
		return err
	}
	defer in.Close()
	file := c.Out
	if file == "" {
		dir := filepath.Join(cfg.StatePath(), agent.HistoryDir)
		if err := os.MkdirAll(dir, 0o750); err != nil {
			return fmt.Errorf("history: %w", err)
		}
		file = filepath.Join(dir, o.Pump+"."+o.Channel.String()+".ndjson.zst")
	}
	out, err := recording.Create(file)
	if err != nil {
		return err
	}
	named := 0
	sum, err := table.Read(in, o, out.Write, func(e *table.RowError) {
		if named++; named <= badRowsShown {
			s.log.Warn("a row is passed over", "file", c.CSV, "error", e.Error())
		}
	})
	if err = errors.Join(err, out.Close()); err != nil {
		return fmt.Errorf("%s: %w", c.CSV, err)
	}
	fmt.Fprintf(s.err, "%s: %d rows", c.Channel, sum.Rows)
	if sum.Rows > 0 {
		fmt.Fprintf(s.err, " from %s to %s, %.6g to %.6g, usually %s apart", sum.First.Format(time.RFC3339), sum.Last.Format(time.RFC3339), sum.Min, sum.Max, sum.Usual)
	}
	if sum.Longest > 2*sum.Usual {
		fmt.Fprintf(s.err, ", the longest gap %s up to %s", sum.Longest, sum.LongestEnd.Format(time.RFC3339))
	}
	fmt.Fprintf(s.err, "; bad rows: %d. Written to %s.\n", sum.Bad, file)
	if sum.Rows == 0 {
		return fmt.Errorf("%s has no row that can be read", c.CSV)
	}
	return nil
}

// channelOf finds PUMP/CHANNEL in a configuration.
func channelOf(cfg *config.Config, text string) (string, signal.Channel, error) {
	id, name, _ := strings.Cut(text, "/")
	i := slices.IndexFunc(cfg.Pumps, func(p config.Pump) bool { return p.ID == id })
	if i < 0 {
		var ids []string
		for _, p := range cfg.Pumps {
			ids = append(ids, p.ID)
		}
		return "", 0, fmt.Errorf("pump %q is not configured; there are %s", id, strings.Join(ids, ", "))
	}
	var names []string
	for _, c := range cfg.Pumps[i].Channels {
		if c.Channel.String() == name {
			return id, c.Channel, nil
		}
		names = append(names, c.Channel.String())
	}
	return "", 0, fmt.Errorf("pump %s has no channel %q; it has %s", id, name, strings.Join(names, ", "))
}
