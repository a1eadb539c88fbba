package main

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
)

type planCommand struct {
	atAgent
	Weeks   int     `default:"8" help:"how many weeks to look ahead (${default})"`
	Service float64 `default:"0.95" help:"probability with which a kit is to lie on the shelf when it is asked for (${default})"`
	JSON    bool    `name:"json" xor:"as" help:"as JSON"`
	CSV     bool    `name:"csv" xor:"as" help:"as a table for a spreadsheet"`
	ICS     bool    `name:"ics" xor:"as" help:"as an iCalendar file"`
}

// Run implements the command.
func (c *planCommand) Run(ctx context.Context, s *streams) error {
	query := url.Values{"format": {"text"}, "weeks": {strconv.Itoa(c.Weeks)}, "service": {strconv.FormatFloat(c.Service, 'g', -1, 64)}}
	switch {
	case c.JSON:
		query.Set("format", "json")
	case c.CSV:
		query.Set("format", "csv")
	case c.ICS:
		query.Set("format", "ics")
	}
	raw, err := call(ctx, c.Agent, http.MethodGet, "plan?"+query.Encode(), nil)
	if err != nil {
		return err
	}
	_, err = s.out.Write(raw)
	return err
}
