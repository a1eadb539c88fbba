package plan

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
)

// Text writes the plan for a terminal.
func (p Plan) Text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "PLAN of %s until %s, made %s\n%s\n", p.Site, p.Until, p.Made.Format(time.RFC3339), p.Caution)
	if len(p.Shutdowns) == 0 {
		b.WriteString("\nNo pump needs a kit until then.\n")
	}
	for _, s := range p.Shutdowns {
		fmt.Fprintf(&b, "\n%s: %s\n", whenWords(s.On), strings.Join(s.Pumps, ", "))
		t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		for _, x := range s.Work {
			_, _ = fmt.Fprintf(t, "  %s\t%s kit%s\t%s\t%s\t%s\n", x.Pump, x.Kit, numbered(x.KitNumber), x.ByWords(), x.WhyWords(), x.SourceWords())
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	if len(p.Kits) > 0 {
		b.WriteString("\nKITS\n")
		t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		_, _ = fmt.Fprintln(t, "  NUMBER\tKIT\tON HAND\tPLANNED\tREORDER AT\tORDER\tBY")
		for _, s := range p.Kits {
			_, _ = fmt.Fprintf(t, "  %s\t%s\t%s\t%d\t%d\t%s\t%s\n", s.KitNumber, s.Kit, s.OnHandWords(), s.Planned, s.Need, s.OrderWords(), s.OrderBy)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func whenWords(on string) string {
	if on == "" {
		return "AS SOON AS CAN BE"
	}
	return "BY " + on
}

func numbered(n string) string {
	if n == "" {
		return ""
	}
	return " " + n
}

// ByWords says until when.
func (w Work) ByWords() string {
	switch {
	case w.scheduled:
		return "scheduled for " + w.By
	case w.By == "":
		return string(w.Urgency)
	}
	return string(w.Urgency) + ", by " + w.By
}

// WhyWords says what for.
func (w Work) WhyWords() string {
	if w.Ticket != "" {
		return "ticket " + w.Ticket
	}
	return "age: half of such parts here are spent by then"
}

// SourceWords says where the kit comes from.
func (w Work) SourceWords() string {
	switch w.Source {
	case "shelf":
		return "on the shelf"
	case "order":
		return "to be ordered"
	}
	return "stock not known"
}

// OnHandWords is the count, or that it is not known.
func (s Shelf) OnHandWords() string {
	if s.OnHand == nil {
		return "not counted"
	}
	return strconv.Itoa(*s.OnHand)
}

// OrderWords is how many to order.
func (s Shelf) OrderWords() string {
	if s.OnHand == nil {
		return "not known"
	}
	return strconv.Itoa(s.Order)
}

// CSV writes the plan as a table (RFC 4180): a line for each rebuild and one for each order.
func (p Plan) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	rows := [][]string{{"what", "pump", "serial", "model", "kit", "kit_number", "quantity", "by", "urgency", "why", "ticket", "source", "shutdown"}}
	for _, s := range p.Shutdowns {
		for _, x := range s.Work {
			rows = append(rows, []string{"rebuild", x.Pump, x.Serial, x.Model, string(x.Kit), x.KitNumber, "1", x.By, string(x.Urgency), x.Why, x.Ticket, x.Source, s.On})
		}
	}
	for _, s := range p.Kits {
		if s.Order > 0 {
			rows = append(rows, []string{"order", "", "", "", string(s.Kit), s.KitNumber, strconv.Itoa(s.Order), s.OrderBy, "", "", "", "", ""})
		}
	}
	for _, r := range rows {
		for i := range r {
			r[i] = inert(r[i])
		}
	}
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("write the plan: %w", err)
	}
	return nil
}

// inert keeps a spreadsheet from taking a name for a formula.
func inert(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
