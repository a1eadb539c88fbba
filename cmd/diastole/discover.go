package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"diastole/agent/config"
	"diastole/agent/discover"
	"diastole/agent/intake"
	"diastole/agent/intake/session"
)

type discoverCommand struct {
	Broker       string        `required:"" placeholder:"URL" help:"mqtt://host:1883, or mqtts://host:8883 for TLS"`
	For          time.Duration `default:"60s" placeholder:"DURATION" help:"how long to listen"`
	Topics       []string      `default:"#" placeholder:"FILTER" help:"what to listen to, such as north/#"`
	Username     string        `placeholder:"NAME" help:"the name to log in with"`
	PasswordFile string        `type:"existingfile" placeholder:"FILE" help:"a file that holds the password; else the environment variable DIASTOLE_MQTT_PASSWORD"`
	CAFile       string        `type:"existingfile" placeholder:"FILE" help:"PEM certificates of the authorities that may sign the broker's certificate"`
}

// Help is the longer text of the command.
func (discoverCommand) Help() string {
	return "Prints a configuration in YAML, with what is a guess in comments. Nothing is published but the request of Sparkplug\n" +
		"for births (Node Control/Rebirth), to edge nodes that were heard and whose names are not known otherwise."
}

// Run implements the command.
func (c *discoverCommand) Run(ctx context.Context, s *streams) error {
	m, err := config.Broker(c.Broker, c.Username, c.PasswordFile, c.CAFile)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	m.ClientID = fmt.Sprintf("diastole-discover-%08x", rand.Uint32())
	session.BridgeLogs(s.log)
	in, err := session.New(m, c.Topics, time.Now, s.log)
	if err != nil {
		return err
	}
	in.Passing()
	ctx, cancel := context.WithTimeout(ctx, c.For)
	defer cancel()
	survey := discover.New()
	ask := func() {
		for _, r := range survey.Requests() {
			s.log.Info("an edge node is asked for its births", "topic", r.Topic)
			in.Publish(r.Topic, r.Payload)
		}
	}
	in.Run(ctx, func(msg intake.Message) { survey.Take(msg); ask() }, func(time.Time) { ask() })
	if survey.Messages() == 0 {
		if text := in.Status().LastError; text != "" {
			return fmt.Errorf("nothing was heard: %s", text)
		}
		return errors.New("nothing was heard: no message came on these topics; listen for longer (--for), or to others (--topics)")
	}
	p := survey.Propose()
	if err := p.Write(s.out, discover.Source{Broker: m.Broker, Lines: c.lines(), For: c.For}); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	s.log.Info("proposed", "messages", survey.Messages(), "pumps", len(p.Pumps))
	if len(p.Pumps) == 0 {
		return errors.New("nothing that was heard looks like a pump; what was heard is listed in the output")
	}
	return nil
}

// lines are the keys of the log-in.
func (c *discoverCommand) lines() []string {
	var out []string
	for _, l := range []struct{ key, value string }{{"username", c.Username}, {"password_file", c.PasswordFile}, {"ca_file", c.CAFile}} {
		if l.value != "" {
			out = append(out, fmt.Sprintf("%s: %q", l.key, l.value))
		}
	}
	return out
}
