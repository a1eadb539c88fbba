package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"diastole/agent/event"
	"diastole/model/advice"
	"diastole/model/pump"
)

// pullRow is one kit to pull, with its parts.
type pullRow struct {
	Kit, Number, Stock, Place string
	// First is the kit that the ticket is for, the others are brought in case.
	First bool
	Parts []partRow
	// Usual tells that the parts are those that such kits usually hold, for the catalogue lists none.
	Usual bool
}

type partRow struct{ Quantity, Part, Number, Material, Side string }

// jointRow is a joint with what its manual says; a torque stands here only with its source.
type jointRow struct{ Joint, Tighten, Source, Pattern, Retorque string }

// sheet is what a ticket's page shows of the pump and its upkeep.
type sheet struct {
	Place   pump.Installed
	Size    string
	Shifts  string
	Pull    []pullRow
	Tools   []pump.Tool
	Inspect []pump.Inspection
	Joints  []jointRow
	Steps   []advice.Step
	Parts   []partAge
	Reading []checkRow
}

// partAge is a component with what it has run.
type partAge struct{ Name, Strokes string }

// checkRow is a check before opening with room for its reading.
type checkRow struct{ Text, Record string }

func newSheet(t event.Ticket, j Job) sheet {
	s := sheet{
		Place: j.Place, Size: j.Size, Shifts: shiftWords(j.Place.Shifts), Tools: j.Upkeep.Tools, Inspect: j.Upkeep.Inspect,
		Steps: advice.Steps(append([]pump.Kit{t.Kit}, t.Bring...)...),
	}
	for i, k := range append([]pump.Kit{t.Kit}, t.Bring...) {
		s.Pull = append(s.Pull, pull(k, i == 0, t, j))
	}
	for _, x := range j.Upkeep.Joints {
		row := jointRow{Joint: x.Joint, Tighten: x.Instead, Pattern: x.Pattern}
		if x.Torque != nil {
			row.Tighten = fmt.Sprintf("%g %s", x.Torque.Value, x.Torque.Unit)
			row.Source = fmt.Sprintf("%s, page %s", x.Torque.Source, x.Torque.Page)
		} else {
			row.Tighten = "no torque given: " + x.Instead
		}
		if x.RetorqueHours > 0 {
			row.Retorque = fmt.Sprintf("after %g running hours", x.RetorqueHours)
		}
		s.Joints = append(s.Joints, row)
	}
	for _, p := range j.Parts {
		if p.Strokes != nil {
			s.Parts = append(s.Parts, partAge{sentence(string(p.Component)), grouped(*p.Strokes)})
		}
	}
	records := map[string]string{}
	for _, c := range advice.Recorded(t.Fault) {
		records[c.String()] = c.Record
	}
	for _, c := range t.ChecksBeforeOpening {
		s.Reading = append(s.Reading, checkRow{c, records[c]})
	}
	return s
}

func pull(k pump.Kit, first bool, t event.Ticket, j Job) pullRow {
	spec, _ := j.Upkeep.Kit(k)
	row := pullRow{Kit: sentence(string(k)) + " kit", Number: spec.Number, First: first}
	if first && t.KitNumber != "" {
		row.Number = t.KitNumber
	}
	if left, counted := j.OnHand[k]; counted {
		row.Stock = fmt.Sprintf("%d on the shelf", left)
		if left <= 0 {
			row.Stock = "none on the shelf"
			if spec.LeadTimeDays > 0 {
				row.Stock += fmt.Sprintf(": order, %g days", spec.LeadTimeDays)
			}
		}
		row.Place = spec.Stock.Place
	}
	for _, l := range spec.Parts {
		row.Parts = append(row.Parts, partRow{fmt.Sprint(l.Quantity), l.Part, l.Number, l.Material, l.Side})
	}
	if first && len(spec.Parts) == 0 {
		row.Usual = true
		for _, c := range pump.Contents(k) {
			q := "as listed"
			if c.Quantity > 0 {
				q = fmt.Sprint(c.Quantity)
			}
			name := c.Name
			if c.Note != "" {
				name += " (" + c.Note + ")"
			}
			row.Parts = append(row.Parts, partRow{Quantity: q, Part: name})
		}
	}
	return row
}

func shiftWords(s pump.Shifts) string {
	if s.DaysPerWeek == 0 {
		return s.Words
	}
	return strings.TrimSuffix(fmt.Sprintf("%g days a week, %g h a day, %s", s.DaysPerWeek, s.HoursPerDay, s.Words), ", ")
}

// link is the address of a ticket's page as people reach it.
func (s *Server) link(r *http.Request, id string) (address string, local bool) {
	base := s.src.Address()
	if local = base == ""; local {
		base = "http://" + r.Host
	}
	return strings.TrimSuffix(base, "/") + "/tickets/" + url.PathEscape(id), local
}
