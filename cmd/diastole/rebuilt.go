package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"

	"diastole/agent/event"
)

// atAgent is where the running agent is.
type atAgent struct {
	Agent string `default:"http://127.0.0.1:8317" placeholder:"URL" help:"where the agent's page is (${default})"`
}

// tell posts a body to the agent and reads its answer.
func (a atAgent) tell(ctx context.Context, path string, body, answer any) error {
	data, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("request: %w", err)
	}
	raw, err := call(ctx, a.Agent, http.MethodPost, path, data)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(raw, answer); err != nil {
		return fmt.Errorf("the agent's answer: %w", err)
	}
	return nil
}

type rebuiltCommand struct {
	atAgent
	Pump     string    `arg:"" help:"the pump position"`
	Kit      []string  `placeholder:"KIT" help:"a kit that was used: wet-end, air-end, pilot-valve; several, or none"`
	Replaced []string  `placeholder:"PART" help:"a part that is new beside the kits', such as muffler"`
	Found    []string  `placeholder:"PART=CONDITION" help:"how a part was found, such as balls=worn"`
	Ticket   string    `help:"the ticket that it answers; else the pump's open one"`
	By       string    `help:"who did it; else the login name"`
	At       time.Time `placeholder:"TIME" help:"when it was done, RFC 3339; else now"`
	Note     string    `help:"what was found, in words"`
	Photo    []string  `placeholder:"NAME" help:"the name of a photo that is kept elsewhere"`
	Hours    float64   `help:"hours of work"`
	Liquid   string    `enum:",water,product" default:"" help:"what the pump was started with: water or product"`
	Restarts string    `enum:",yes,no" default:"" help:"did it start again by itself after a stall: yes or no"`
	LeaksDry string    `enum:",yes,no" default:"" help:"does air escape outside (soap water): yes or no"`
	LeaksWet string    `enum:",yes,no" default:"" help:"does liquid escape outside: yes or no"`
}

// Run implements the command.
func (c *rebuiltCommand) Run(ctx context.Context, s *streams) error {
	type found struct {
		Component string `json:"component"`
		Condition string `json:"condition"`
	}
	body := struct {
		By       string      `json:"by"`
		At       time.Time   `json:"at,omitzero"`
		Ticket   string      `json:"ticket,omitempty"`
		Kits     []string    `json:"kits"`
		Replaced []string    `json:"replaced,omitempty"`
		Found    []found     `json:"found,omitempty"`
		Note     string      `json:"note,omitempty"`
		Photos   []string    `json:"photos,omitempty"`
		Hours    float64     `json:"labour_hours,omitempty"`
		Liquid   string      `json:"liquid,omitempty"`
		Asked    event.Asked `json:"asked,omitzero"`
	}{
		By: who(c.By), At: c.At, Ticket: c.Ticket, Kits: append([]string{}, c.Kit...), Replaced: c.Replaced, Note: c.Note, Photos: c.Photo,
		Hours: c.Hours, Liquid: c.Liquid, Asked: event.Asked{Restarts: yesNo(c.Restarts), LeaksDry: yesNo(c.LeaksDry), LeaksWet: yesNo(c.LeaksWet)},
	}
	for _, f := range c.Found {
		part, condition, ok := strings.Cut(f, "=")
		if !ok {
			return fmt.Errorf("%w: --found %q must be a part and its condition, such as balls=worn", errUsage, f)
		}
		body.Found = append(body.Found, found{part, condition})
	}
	var r event.Rebuild
	if err := c.tell(ctx, "pumps/"+url.PathEscape(c.Pump)+"/rebuilt", body, &r); err != nil {
		return err
	}
	return rebuildText(s, r)
}

func yesNo(answer string) *bool {
	if answer == "" {
		return nil
	}
	return new(answer == "yes")
}

// rebuildText says what was recorded, and what begins anew by it.
func rebuildText(s *streams, r event.Rebuild) error {
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintf(w, "%s is recorded; it is %s\n", r.Rebuild, r.Judgement)
	if r.Ticket != "" {
		_, _ = fmt.Fprintf(w, "ticket %s is done\n", r.Ticket)
	}
	_, _ = fmt.Fprintln(w, "PART\tRAN\tNOW\tFOUND")
	for _, p := range r.Parts {
		ran, now := "not known", "as before"
		if p.Strokes != nil {
			ran = fmt.Sprintf("%.0f strokes", *p.Strokes)
		}
		if p.Replaced {
			now = "new"
		}
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", p.Component, ran, now, p.Found)
	}
	for _, j := range r.Retorque {
		_, _ = fmt.Fprintf(w, "check again after %g running hours, as its manual says: %s\n", j.RunningHours, j.Joint)
	}
	for _, v := range r.Verdicts {
		_, _ = fmt.Fprintln(w, v.Words)
	}
	return w.Flush()
}

type swappedCommand struct {
	atAgent
	Pump   string `arg:"" help:"the pump position"`
	Serial string `required:"" help:"the serial of the body that stands there now"`
	By     string `help:"who says so; else the login name"`
}

// Run implements the command.
func (c *swappedCommand) Run(ctx context.Context, s *streams) error {
	var b event.Body
	if err := c.tell(ctx, "pumps/"+url.PathEscape(c.Pump)+"/swapped", map[string]string{"by": who(c.By), "serial": c.Serial}, &b); err != nil {
		return err
	}
	known := "nothing is known of it yet"
	if b.Strokes > 0 || len(b.Fitted) > 0 {
		known = fmt.Sprintf("it has run %.0f strokes that were seen", b.Strokes)
	}
	_, err := fmt.Fprintf(s.out, "%s has body %s; %s. The baseline is learned anew.\n", c.Pump, b.Serial, known)
	return err
}

type relearnCommand struct {
	atAgent
	Pump   string    `arg:"" help:"the pump position"`
	Reason string    `required:"" help:"what is new: hose, product, damper"`
	Since  time.Time `placeholder:"TIME" help:"since when, RFC 3339; else now"`
	By     string    `help:"who says so; else the login name"`
}

// Run implements the command.
func (c *relearnCommand) Run(ctx context.Context, s *streams) error {
	body := struct {
		By     string    `json:"by"`
		Reason string    `json:"reason"`
		Since  time.Time `json:"since,omitzero"`
	}{who(c.By), c.Reason, c.Since}
	var b event.Body
	if err := c.tell(ctx, "pumps/"+url.PathEscape(c.Pump)+"/relearn", body, &b); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "%s is learned anew: %s\n", c.Pump, c.Reason)
	return err
}

type shelveCommand struct {
	atAgent
	Advisory string    `arg:"" help:"the advisory"`
	Hours    float64   `xor:"end" help:"for so many hours from now"`
	Until    time.Time `xor:"end" placeholder:"TIME" help:"until then, RFC 3339"`
	Back     bool      `xor:"end" help:"bring it back"`
	Reason   string    `help:"why it is put aside"`
	By       string    `help:"who does it; else the login name"`
}

// Run implements the command.
func (c *shelveCommand) Run(ctx context.Context, s *streams) error {
	path := "advisories/" + url.PathEscape(c.Advisory)
	var a event.Advisory
	if c.Back {
		if err := c.tell(ctx, path+"/unshelve", struct{}{}, &a); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.out, "%s is back\n", a.Advisory)
		return err
	}
	body := struct {
		By     string    `json:"by"`
		Reason string    `json:"reason"`
		Until  time.Time `json:"until,omitzero"`
		Hours  float64   `json:"hours,omitempty"`
	}{who(c.By), c.Reason, c.Until, c.Hours}
	if err := c.tell(ctx, path+"/shelve", body, &a); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "%s is put aside until %s\n", a.Advisory, a.Shelved.Until.Format(time.RFC3339))
	return err
}

type stockCommand struct {
	atAgent
	JSON bool `name:"json" help:"as JSON"`
}

// Run implements the command.
func (c *stockCommand) Run(ctx context.Context, s *streams) error {
	raw, err := call(ctx, c.Agent, http.MethodGet, "stock", nil)
	if err != nil {
		return err
	}
	if c.JSON {
		return write(s.out, raw)
	}
	var answer struct {
		Kits []struct {
			Kit, Model, Place string
			KitNumber         string `json:"kit_number"`
			OnHand            int    `json:"on_hand"`
			ReorderPoint      int    `json:"reorder_point"`
		}
	}
	if err := json.Unmarshal(raw, &answer); err != nil {
		return fmt.Errorf("the agent's answer: %w", err)
	}
	if len(answer.Kits) == 0 {
		return write(s.out, []byte("the catalogue counts no kits"))
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintln(w, "NUMBER\tKIT\tMODEL\tON HAND\tREORDER AT\tPLACE")
	for _, k := range answer.Kits {
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%d\t%s\n", k.KitNumber, k.Kit, k.Model, k.OnHand, k.ReorderPoint, k.Place)
	}
	return w.Flush()
}
