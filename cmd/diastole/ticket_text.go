package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"diastole/agent/event"
)

// ticketText writes a ticket for the terminal, cautions first.
func ticketText(w io.Writer, t event.Ticket) error {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	list := func(title string, items []string) {
		if len(items) == 0 {
			return
		}
		line("\n%s", title)
		for i, x := range items {
			line("  %d. %s", i+1, x)
		}
	}
	line("REBUILD TICKET %s   (%s)", t.Ticket, standing(t))
	line("pump %s%s, %s", t.Pump, serial(t.Serial), t.Model)
	list("CAUTIONS. This is a suspicion, not a proof that it is safe to open or to run. The pump's own service manual decides on torque and sequence.", t.Cautions)
	line("\nPULL: the %s kit%s", t.Kit, number(t.KitNumber))
	for _, k := range t.Bring {
		line("bring: the %s kit", k)
	}
	if t.ActBy != "" {
		line("urgency: %s, act by %s", t.Urgency, t.ActBy)
	} else {
		line("urgency: %s", t.Urgency)
	}
	line("\nWHY: %s, side %s, probability %.0f %%, size %.0f %% of what calls for a rebuild, since %s",
		t.Fault, t.Side, 100*t.Probability, 100*t.Severity, t.Since.Format(time.RFC3339))
	for _, e := range t.Evidence {
		line("  %s: %.4g %s where %.4g was expected (%+.1f sigma): %s", e.Feature, e.Observed, unit(e.Unit), e.Expected, e.DeviationSigma, e.Meaning)
	}
	for _, a := range t.Alternatives {
		if p := math.Round(100 * a.Probability); p > 0 {
			line("  or else: %s%s, %.0f %%", a.Fault, a.Cause, p)
		}
	}
	if t.Flag != "" {
		line("  NOTE: %s", t.Flag)
	}
	if t.Remaining != nil {
		line("  %s", t.Remaining.Words())
	}
	if t.AirWaste != nil {
		line("  %s", t.AirWaste.Words())
	}
	list("SUSPECTS", t.Suspects)
	list("CHECK BEFORE OPENING", t.ChecksBeforeOpening)
	line("\nIF NOT DONE: %s", t.IfNotDone)
	if t.Note != "" {
		line("\nFOUND (%s): %s", t.By, t.Note)
	}
	if len(t.Log) > 0 {
		line("\nLOG")
		for _, l := range t.Log {
			line("  %s %s: %s%s", l.Time.Format(time.RFC3339), l.By, l.Did, strings.TrimSuffix(": "+l.Text, ": "))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func serial(s string) string {
	if s == "" {
		return ""
	}
	return " (serial " + s + ")"
}

func number(n string) string {
	if n == "" {
		return ""
	}
	return ", number " + n
}

func unit(u string) string {
	if u == "1" {
		return ""
	}
	return u
}
