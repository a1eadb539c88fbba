package web

import (
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"diastole/agent/event"
	"diastole/agent/web/chart"
	"diastole/detect/feature"
)

// span is a length of time that the trends of a pump can show.
type span struct {
	Key, Words string
	length     time.Duration
	Chosen     bool
}

const day = 24 * time.Hour

// spans are the lengths on offer; the third is shown where none is asked for.
var spans = []span{
	{Key: "1d", Words: "1 day", length: day},
	{Key: "7d", Words: "7 days", length: 7 * day},
	{Key: "30d", Words: "30 days", length: 30 * day},
	{Key: "90d", Words: "90 days", length: 90 * day},
	{Key: "1y", Words: "1 year", length: 365 * day},
}

const defaultSpanKey = "30d"

// trendView is one feature on the page of a pump.
type trendView struct {
	Name, Unit     string
	Value          string
	Expected, Band string // empty where nothing is expected yet
	Outside        bool
	Chart          template.HTML
	Steps          []step
}

// The size of a trend: three fit beside each other on a desktop, one on a phone.
const (
	trendWidth  = 400
	trendHeight = 150
	trendPoints = 240
)

func (s *Server) pumpPage(r *http.Request) (rendered, error) {
	p, open, err := s.findPump(r, r.PathValue("id"))
	if err != nil {
		return rendered{}, err
	}
	chosen, offered, err := chooseSpan(r.URL.Query().Get("span"))
	if err != nil {
		return rendered{}, err
	}
	tickets, err := s.src.Tickets(r.Context(), false)
	if err != nil {
		return rendered{}, fmt.Errorf("tickets: %w", err)
	}
	data := struct {
		frame
		Pump                       PumpView
		Path                       string
		Status                     Status
		Doing                      string
		Model                      string
		Rate, Air, Discharge       string
		Strokes                    string
		Bar                        template.HTML
		Evidence                   string
		Statistic, Threshold       string
		Spans                      []span
		Trends                     []trendView
		Cycle                      cycleData
		Beside                     []besideRow
		OpenTickets, ClosedTickets []ticketRow
		Advisories                 []advisoryRow
		Rebuilds                   []rebuildRow
		Parts                      []partAge
	}{
		frame: s.frame(r, p.ID, "pumps"), Pump: p, Path: pumpPath(p.ID), Status: judge(p, open), Doing: doing(p),
		Model: plain(p.Model), Rate: rate(p), Air: pressureOf(p, p.Inlet), Discharge: pressureOf(p, p.Discharge),
		Beside: besideRows(p.Beside), Spans: offered, Advisories: advisoryRows(p.Advisories),
	}
	data.Live = true
	if p.StrokesSinceRebuild > 0 {
		data.Strokes = grouped(p.StrokesSinceRebuild)
	}
	if p.Threshold > 0 {
		data.Bar, data.Evidence = evidenceBar(p, 140, 12), evidenceShare(p)
		data.Statistic, data.Threshold = chart.Number(p.Statistic, 1), chart.Number(p.Threshold, 1)
	}
	if data.Cycle, err = s.cycleData(r, p); err != nil {
		return rendered{}, err
	}
	data.OpenTickets, data.ClosedTickets = ticketsOf(p.ID, tickets)
	for _, reading := range p.Readings {
		view, err := s.trendView(r, p, reading, chosen.length)
		if err != nil {
			return rendered{}, err
		}
		data.Trends = append(data.Trends, view)
	}
	rebuilds, err := s.src.Rebuilds(r.Context(), p.ID)
	if err != nil {
		return rendered{}, fmt.Errorf("rebuilds: %w", err)
	}
	data.Rebuilds = rebuildRows(rebuilds)
	j, err := s.src.Job(r.Context(), p.ID)
	if err != nil {
		return rendered{}, err
	}
	for _, part := range j.Parts {
		if part.Strokes != nil {
			data.Parts = append(data.Parts, partAge{sentence(string(part.Component)), grouped(*part.Strokes)})
		}
	}
	return render("pump", data)
}

// chooseSpan finds the span that is asked for and marks it among those on offer.
func chooseSpan(key string) (span, []span, error) {
	if key == "" {
		key = defaultSpanKey
	}
	offered := append([]span(nil), spans...)
	keys := make([]string, len(offered))
	for i := range offered {
		if offered[i].Key == key {
			offered[i].Chosen = true
			return offered[i], offered, nil
		}
		keys[i] = offered[i].Key
	}
	return span{}, nil, badRequest("span %q is not known; allowed are %s", key, strings.Join(keys, ", "))
}

func (s *Server) trendView(r *http.Request, p PumpView, reading Reading, length time.Duration) (trendView, error) {
	if reading.Feature >= feature.NumFeatures {
		return trendView{}, fmt.Errorf("pump %s: reading of feature %d, which does not exist", p.ID, reading.Feature)
	}
	from, to := p.LastData.Add(-length), p.LastData
	points, err := s.src.Trend(r.Context(), p.ID, reading.Feature, from, to, trendPoints)
	if err != nil {
		return trendView{}, fmt.Errorf("trend of %s of pump %s: %w", reading.Feature, p.ID, err)
	}
	if len(points) > 0 && points[0].Time.After(from) {
		from = points[0].Time // a young history fills the picture
	}
	q := quantities[reading.Feature]
	view := trendView{Name: q.name, Unit: q.unit, Value: q.number(reading.Value)}
	spoken := fmt.Sprintf("%s of pump %s, now %s %s", q.name, p.ID, view.Value, q.unit)
	if reading.Known() {
		view.Expected, view.Band = q.number(reading.Expected), q.number(reading.Band)
		view.Outside = reading.Value > reading.Expected+reading.Band || reading.Value < reading.Expected-reading.Band
		spoken += fmt.Sprintf(", expected %s ± %s", view.Expected, view.Band)
	}
	view.Chart = asHTML(chart.Line{
		Title: spoken, Unit: q.unit, From: from, To: to, Points: chartPoints(points, q),
		Width: trendWidth, Height: trendHeight,
	})
	view.Steps = stepsOf(points, q)
	return view, nil
}

// ticketsOf splits a pump's tickets into those that are open and those that are closed.
func ticketsOf(pump string, tickets []event.Ticket) (open, closed []ticketRow) {
	for _, row := range ticketRows(tickets) {
		switch {
		case row.Pump != pump:
		case row.State == event.StateClosed:
			closed = append(closed, row)
		default:
			open = append(open, row)
		}
	}
	return open, closed
}
