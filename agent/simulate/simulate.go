// Package simulate plays a scenario file: invented pumps with their instruments, what operators do and what
// wears. It gives the recording that an agent would have received, a configuration that replays it, and the
// truth beside it, so that people can be trained and dashboards tested on pumps that wear.
package simulate

import (
	"context"
	"fmt"
	"io"
	"os"
	"time"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/model/plant/scenario"
)

// maxFileBytes bounds a scenario file.
const maxFileBytes = 4 << 20

// Plan is a scenario that is ready to play.
type Plan struct {
	Site string
	// Learn is how long the agent is to learn.
	Learn time.Duration
	// Dialect is how the plant publishes; empty: topics.
	Dialect  string
	Scenario scenario.Scenario
}

// Load reads a scenario file. What is wrong with its content is a *config.InvalidError with line and column.
func Load(path string) (*Plan, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("scenario: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFileBytes+1))
	if err != nil {
		return nil, fmt.Errorf("scenario: %w", err)
	}
	return Parse(path, data)
}

// Parse reads data, the content of a scenario file called name; see Load.
func Parse(name string, data []byte) (*Plan, error) {
	var f file
	if len(data) > maxFileBytes {
		return nil, fmt.Errorf("scenario %s has more than the allowed %d bytes", name, maxFileBytes)
	}
	b := builder{config.DecodeStrict(name, data, &f)}
	p := &Plan{Site: f.Site, Scenario: b.scenario(&f), Learn: b.duration("learn", f.Learn), Dialect: b.dialect(f.Dialect)}
	if err := b.Err(); err != nil {
		return nil, err
	}
	if p.Learn == 0 {
		p.Learn = (p.Scenario.Length / 3).Truncate(time.Second)
	}
	if err := p.Scenario.Validate(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err) // nothing that b lets through should come here
	}
	return p, nil
}

// Play gives the messages in the order of their arrival. It ends early with an error of ctx or of sink.
func (p *Plan) Play(ctx context.Context, sink func(intake.Message) error) error {
	player, err := scenario.New(p.Scenario)
	if err != nil {
		return err
	}
	formats := map[[2]string]string{}
	for _, pump := range p.Scenario.Pumps {
		for _, i := range pump.Instruments {
			formats[[2]string{pump.ID, i.Channel}] = formatOf(i)
		}
	}
	var failed error
	g := p.gateway()
	send := func(m scenario.Message) {
		for _, out := range g.encode(m, formats[[2]string{m.Pump, m.Channel}]) {
			if failed == nil {
				failed = sink(out)
			}
		}
	}
	for more := true; more && failed == nil; {
		if ctx.Err() != nil {
			return fmt.Errorf("interrupted: the recording ends at %s", player.Now().Format(time.RFC3339))
		}
		more = player.Next(send)
	}
	return failed
}
