package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os/user"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"

	"diastole/agent/event"
)

type ticketsCommand struct {
	Agent string `default:"http://127.0.0.1:8317" placeholder:"URL" help:"where the agent's page is (${default})"`

	List        listTickets    `cmd:"" help:"list tickets, newest first"`
	Show        showTicket     `cmd:"" help:"show one ticket"`
	Acknowledge moveTicket     `cmd:"" help:"take a ticket on"`
	Schedule    scheduleTicket `cmd:"" help:"say on which day the work is planned"`
	Start       moveTicket     `cmd:"" help:"say that the work has begun"`
	Comment     commentTicket  `cmd:"" help:"say something about a ticket"`
	Close       closeTicket    `cmd:"" help:"end a ticket as done or rejected"`
	Verify      moveTicket     `cmd:"" help:"say that the pump of a ticket that is done is good"`
}

// AfterApply gives the subcommands the agent's address.
func (c *ticketsCommand) AfterApply() error {
	c.List.agent, c.Show.agent, c.Schedule.agent, c.Comment.agent, c.Close.agent = c.Agent, c.Agent, c.Agent, c.Agent, c.Agent
	for _, m := range []struct {
		move *moveTicket
		do   event.Deed
	}{{&c.Acknowledge, event.Acknowledge}, {&c.Start, event.Begin}, {&c.Verify, event.Verify}} {
		m.move.agent, m.move.do = c.Agent, m.do
	}
	return nil
}

type listTickets struct {
	agent string
	All   bool `help:"closed ones too"`
	JSON  bool `name:"json" help:"as JSON"`
}

// Run implements the command.
func (c *listTickets) Run(ctx context.Context, s *streams) error {
	path := "tickets?open=true"
	if c.All {
		path = "tickets?open=false"
	}
	raw, err := call(ctx, c.agent, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	if c.JSON {
		return write(s.out, raw)
	}
	var answer struct{ Tickets []event.Ticket }
	if err := json.Unmarshal(raw, &answer); err != nil {
		return fmt.Errorf("the agent's answer: %w", err)
	}
	tickets := answer.Tickets
	if len(tickets) == 0 {
		return write(s.out, []byte("no tickets"))
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintln(w, "TICKET\tPUMP\tSTATE\tFAULT\tKIT\tURGENCY\tSINCE")
	for _, t := range tickets {
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", t.Ticket, t.Pump, standing(t), t.Fault, t.Kit, t.Urgency, t.Since.Format(time.RFC3339))
	}
	return w.Flush()
}

type showTicket struct {
	agent string
	ID    string `arg:"" help:"the ticket"`
	JSON  bool   `name:"json" xor:"as" help:"as JSON"`
	HTML  bool   `name:"html" xor:"as" help:"as a page to print"`
}

// Run implements the command.
func (c *showTicket) Run(ctx context.Context, s *streams) error {
	path := "tickets/" + url.PathEscape(c.ID)
	if c.HTML { // made by the agent, which knows the catalogue
		path += "/sheet"
	}
	raw, err := call(ctx, c.agent, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	if c.JSON || c.HTML {
		return write(s.out, raw)
	}
	var t event.Ticket
	if err := json.Unmarshal(raw, &t); err != nil {
		return fmt.Errorf("the agent's answer: %w", err)
	}
	return ticketText(s.out, t)
}

// moveTicket is a deed that needs nothing but a name.
type moveTicket struct {
	agent string
	do    event.Deed
	ID    string `arg:"" help:"the ticket"`
	By    string `help:"who does it; else the login name"`
}

// Run implements the command.
func (c *moveTicket) Run(ctx context.Context, s *streams) error {
	return post(ctx, s, c.agent, c.ID, c.do, map[string]string{"by": who(c.By)})
}

type scheduleTicket struct {
	agent string
	ID    string `arg:"" help:"the ticket"`
	For   string `required:"" placeholder:"DAY" help:"the day, such as 2026-03-09"`
	By    string `help:"who plans it; else the login name"`
	Note  string `help:"what else there is to say"`
}

// Run implements the command.
func (c *scheduleTicket) Run(ctx context.Context, s *streams) error {
	return post(ctx, s, c.agent, c.ID, event.Schedule, map[string]string{"by": who(c.By), "for": c.For, "note": c.Note})
}

type commentTicket struct {
	agent string
	ID    string `arg:"" help:"the ticket"`
	Text  string `arg:"" help:"what there is to say"`
	By    string `help:"who says it; else the login name"`
}

// Run implements the command.
func (c *commentTicket) Run(ctx context.Context, s *streams) error {
	return post(ctx, s, c.agent, c.ID, event.Comment, map[string]string{"by": who(c.By), "note": c.Text})
}

type closeTicket struct {
	agent   string
	ID      string `arg:"" help:"the ticket"`
	By      string `help:"who closes it; else the login name"`
	Outcome string `required:"" enum:"done,rejected" help:"done: the pump was rebuilt, its healthy state is learned anew; rejected: no rebuild was needed"`
	Note    string `help:"what was found; with rejected, why"`
}

// Run implements the command.
func (c *closeTicket) Run(ctx context.Context, s *streams) error {
	return post(ctx, s, c.agent, c.ID, event.Close, map[string]string{"by": who(c.By), "outcome": c.Outcome, "note": c.Note})
}

func who(by string) string {
	if by != "" {
		return by
	}
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "command line"
}

func post(ctx context.Context, s *streams, agent, id string, do event.Deed, body map[string]string) error {
	data, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("request: %w", err)
	}
	raw, err := call(ctx, agent, http.MethodPost, "tickets/"+url.PathEscape(id)+"/"+string(do), data)
	if err != nil {
		return err
	}
	var t event.Ticket
	if err := json.Unmarshal(raw, &t); err != nil {
		return fmt.Errorf("the agent's answer: %w", err)
	}
	_, err = fmt.Fprintf(s.out, "%s is %s\n", t.Ticket, standing(t))
	return err
}

// standing is where a ticket stands, in words.
func standing(t event.Ticket) string {
	switch t.State {
	case event.StateScheduled:
		return fmt.Sprintf("%s for %s", t.State, t.ScheduledFor)
	case event.StateClosed:
		return fmt.Sprintf("%s, %s", t.State, t.Outcome)
	}
	return string(t.State)
}

// call asks the running agent's API.
func call(ctx context.Context, agent, method, path string, body []byte) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, strings.TrimSuffix(agent, "/")+"/api/v1/"+path, bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("%w: agent's address: %w", errUsage, err)
	}
	req.Header.Set("Content-Type", "application/json")
	transport := &http.Transport{DisableKeepAlives: true}
	res, err := transport.RoundTrip(req)
	if errors.Is(err, syscall.ECONNREFUSED) {
		return nil, fmt.Errorf("no agent runs at %s; start one with diastole run, or name its address with --agent", agent)
	}
	if err != nil {
		return nil, fmt.Errorf("ask the agent at %s: %w", agent, err)
	}
	defer res.Body.Close()
	raw, err := io.ReadAll(io.LimitReader(res.Body, 16<<20))
	if err != nil {
		return nil, fmt.Errorf("answer of the agent at %s: %w", agent, err)
	}
	if res.StatusCode >= 300 {
		var problem struct{ Title, Detail string }
		if json.Unmarshal(raw, &problem) == nil && problem.Title != "" {
			return nil, fmt.Errorf("the agent says: %s", strings.TrimSuffix(problem.Title+": "+problem.Detail, ": "))
		}
		return nil, fmt.Errorf("the agent at %s answers %s", agent, res.Status)
	}
	return raw, nil
}

func write(w io.Writer, raw []byte) error {
	_, err := fmt.Fprintln(w, strings.TrimSpace(string(raw)))
	return err
}
