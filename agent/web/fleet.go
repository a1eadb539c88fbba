package web

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"diastole/agent/event"
	"diastole/agent/web/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// fewPumps is the most pumps that are shown as one roomy table; more become two dense ones side by side.
const fewPumps = 12

// fleetRow is a pump on the fleet page, in words.
type fleetRow struct {
	ID, Path, Model, Liquid string
	Status                  Status
	Doing                   string
	Rate, Air, Discharge    string
	Spark, Bar              template.HTML
	SparkFailed             bool
	Evidence                string
	Learning                string
	Ticket                  *ticketRow
	MoreTickets             int
}

// ticketRow is a ticket in a list.
type ticketRow struct {
	event.Ticket
	Path, PumpPath string
	Status         Status
	StateWords     string
	// Due is when to act, as far as the ticket says so.
	Due string
}

// advisoryRow is an advisory in a list.
type advisoryRow struct {
	event.Advisory
	PumpPath string
}

// statusCount is one entry of the summary above the fleet.
type statusCount struct {
	Status Status
	Count  int
}

func (s *Server) fleetPage(r *http.Request) (rendered, error) {
	pumps, open, err := s.pumpsAndTickets(r)
	if err != nil {
		return rendered{}, err
	}
	advisories, err := s.src.Advisories(r.Context())
	if err != nil {
		return rendered{}, fmt.Errorf("advisories: %w", err)
	}
	data := struct {
		frame
		Pumps, Few bool
		Counts     []statusCount
		Columns    [][]fleetRow
		Tickets    []ticketRow
		Advisories []advisoryRow
	}{
		frame: s.frame(r, "Pumps", "pumps"), Pumps: len(pumps) > 0, Few: len(pumps) <= fewPumps,
		Tickets: ticketRows(open), Advisories: advisoryRows(advisories),
	}
	data.Live = true
	rows := make([]fleetRow, len(pumps))
	counts := map[Status]int{}
	for i, p := range pumps {
		rows[i] = s.fleetRow(r.Context(), p, open, data.Few)
		counts[rows[i].Status]++
	}
	for _, status := range statuses {
		if counts[status] > 0 {
			data.Counts = append(data.Counts, statusCount{status, counts[status]})
		}
	}
	data.Columns = [][]fleetRow{rows}
	if !data.Few {
		half := (len(rows) + 1) / 2
		data.Columns = [][]fleetRow{rows[:half], rows[half:]}
	}
	return render("fleet", data)
}

func (s *Server) fleetRow(ctx context.Context, p PumpView, open []event.Ticket, few bool) fleetRow {
	row := fleetRow{
		ID: p.ID, Path: pumpPath(p.ID), Model: plain(p.Model), Liquid: p.Liquid,
		Status: judge(p, open), Doing: doing(p),
		Rate: rate(p), Air: pressureOf(p, p.Inlet), Discharge: pressureOf(p, p.Discharge),
		Learning: p.Learning,
	}
	for _, t := range open {
		switch {
		case t.Pump != p.ID:
		case row.Ticket == nil:
			row.Ticket = &ticketRow{Ticket: t, Path: ticketPath(t.Ticket)}
		default:
			row.MoreTickets++
		}
	}
	if p.Threshold > 0 {
		row.Bar, row.Evidence = evidenceBar(p, 44, 10), evidenceShare(p)
	}
	if p.LastData.IsZero() || p.Learning != "" {
		return row
	}
	width, height := 98, 24
	if few {
		width, height = 260, 36
	}
	var err error
	if row.Spark, err = s.spark(ctx, p, width, height); err != nil {
		// One trend that cannot be read must not hide forty pumps.
		s.log.Error("trend not shown", "pump", p.ID, "error", err)
		row.SparkFailed = true
	}
	return row
}

// evidenceBar draws the statistic against the threshold at which it becomes a ticket.
func evidenceBar(p PumpView, width, height int) template.HTML {
	return asHTML(chart.Bar{
		Title: fmt.Sprintf("Evidence for a fault: log-likelihood ratio %s of the %s that make a ticket",
			chart.Number(p.Statistic, 1), chart.Number(p.Threshold, 1)),
		Value: p.Statistic, Limit: p.Threshold, Width: width, Height: height,
	})
}

// evidenceShare is the statistic as a share of the threshold.
func evidenceShare(p PumpView) string {
	return quantity{factor: 100}.number(p.Statistic/p.Threshold) + "\u00a0%"
}

// rate is the newest stroke rate of a pump that runs, else a dash: an old rate would mislead.
func rate(p PumpView) string {
	if p.State == feature.Running || p.State == feature.Dry {
		for _, reading := range p.Readings {
			if reading.Feature == feature.StrokeRate && !p.Stale {
				return quantities[feature.StrokeRate].number(reading.Value)
			}
		}
	}
	return "–"
}

// pressureOf is a pressure of the operating point, or a dash where it is not known or old.
func pressureOf(p PumpView, v feature.Value) string {
	if !v.Valid || p.Stale {
		return "–"
	}
	return pressure.number(v.V)
}

func pumpPath(id string) string { return "/pumps/" + url.PathEscape(id) }

func ticketPath(id string) string { return "/tickets/" + url.PathEscape(id) }

func ticketRows(tickets []event.Ticket) []ticketRow {
	rows := make([]ticketRow, len(tickets))
	for i, t := range tickets {
		rows[i] = ticketRow{
			Ticket: t, Path: ticketPath(t.Ticket), PumpPath: pumpPath(t.Pump),
			Status: ticketStatus(t), StateWords: stateOfTicket(t), Due: due(t),
		}
	}
	return rows
}

// due says when to act, briefly.
func due(t event.Ticket) string {
	switch {
	case t.Urgency == pump.Stop:
		return "stop"
	case t.ActBy != "":
		return "by " + t.ActBy
	}
	return string(t.Urgency)
}

func advisoryRows(advisories []event.Advisory) []advisoryRow {
	rows := make([]advisoryRow, len(advisories))
	for i, a := range advisories {
		rows[i] = advisoryRow{a, pumpPath(a.Pump)}
	}
	return rows
}

// kitWords names kits for a person who goes to the shelf.
func kitWords(kits []pump.Kit) string {
	words := make([]string, len(kits))
	for i, k := range kits {
		words[i] = plain(string(k)) + " kit"
	}
	return strings.Join(words, ", ")
}
