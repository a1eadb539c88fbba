package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"diastole/agent/config"
	"diastole/agent/store"
	"diastole/agent/watch"
	"diastole/detect"
)

// paces are the ways of sampling that are shown for a pump of which nothing is learned yet.
var paces = []time.Duration{time.Hour, time.Minute}

// outlooks writes what the charts of each pump do.
type outlooks struct {
	w   io.Writer
	cfg *config.Config
	// shown names the pump for which an expectation was written: pumps of one model with the same channels share it.
	shown map[string]string
}

// write is about one pump: by its own noise where the agent's state has learned it, else by the usual one at each pace.
func (x *outlooks) write(ctx context.Context, p *config.Pump, set detect.Settings) error {
	o, learned, err := x.learned(ctx, p, set)
	switch {
	case err != nil: // the agent will make it anew from its epochs
		if _, err := fmt.Fprintf(x.w, "\n  The agent's state of this pump is not usable: %v.\n", err); err != nil {
			return fmt.Errorf("write: %w", err)
		}
	case learned:
		return outlookWords(x.w, o)
	}
	key := fmt.Sprint(set.Model.Name, set.Channels, set.FalseTicketsPerYear)
	if other, shown := x.shown[key]; shown {
		_, err := fmt.Fprintf(x.w, "\n  What is found: as for %s above.\n", other)
		return err
	}
	x.shown[key] = p.ID
	for _, every := range paces {
		if err := outlookWords(x.w, detect.Expect(set, every)); err != nil {
			return err
		}
	}
	return nil
}

// learned asks the agent's state for the pump's own noise.
func (x *outlooks) learned(ctx context.Context, p *config.Pump, set detect.Settings) (detect.Outlook, bool, error) {
	snapshot, err := store.Peek(ctx, x.cfg.StatePath(), p.ID)
	if errors.Is(err, store.ErrNotFound) {
		return detect.Outlook{}, false, nil
	}
	if err != nil {
		return detect.Outlook{}, false, err
	}
	return watch.Outlook(p, set.Hypotheses, snapshot)
}

// siteWords says what the budget comes to for the whole site.
func siteWords(w io.Writer, cfg *config.Config) {
	perYear := 0.0
	for i := range cfg.Pumps {
		perYear += cfg.Pumps[i].Settings.FalseTicketsPerYear
	}
	words := fmt.Sprintf("%.2g a year", perYear)
	if perYear > 0 && perYear < 1 {
		words = fmt.Sprintf("one in %.0f years", 1/perYear)
	}
	_, _ = fmt.Fprintf(w, "Needless teardowns: at most %s on the whole site, as alarms.false_tickets_per_pump_year asks.\n", words)
}

// outlookWords writes what the charts of a pump do.
func outlookWords(w io.Writer, o detect.Outlook) error {
	source := "with the noise that is usual for such a pump (nothing is learned yet)"
	if o.Learned {
		source = "with the noise of this pump as learned"
	}
	_, _ = fmt.Fprintf(w, "\n  What is found when the pump is seen %s, %s:\n", paceWords(o.Every), source)
	if len(o.Findable) == 0 {
		_, _ = fmt.Fprintln(w, "  nothing: without air inlet and discharge pressure no operating point is known, and nothing is compared")
		return nil
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintf(t, "    chart\tthreshold\tneedless\n")
	_, _ = fmt.Fprintf(t, "    a fault against the healthy pump\t%.1f, ln of a likelihood ratio\t%s\n", o.Ticket, seldom(o.FalseTickets/2))
	_, _ = fmt.Fprintf(t, "    a fault against the best outside cause\t%.1f, ln of a likelihood ratio\t%s\n", o.Margin, seldom(o.FalseTickets/2))
	_, _ = fmt.Fprintf(t, "    any lasting change (advisory, no kit)\t%.1f, T2\t%s\n", o.Change, seldom(o.FalseChanges))
	if err := t.Flush(); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	_, _ = fmt.Fprintln(w, "    The smallest lasting change of one feature at the same air and discharge pressure that is found on average within the time;")
	_, _ = fmt.Fprintln(w, "    a fault that moves several features is found sooner, one that must be told from an outside cause may take longer:")
	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintf(t, "    as a fault:\ta day\ta week\ta month\t  as any change:\ta day\ta week\ta month\n")
	for _, f := range o.Findable {
		_, _ = fmt.Fprintf(t, "    %s", strings.ReplaceAll(f.Feature.String(), "_", " "))
		for _, x := range f.Ticket {
			_, _ = fmt.Fprintf(t, "\t%s", changeWords(x, f.Relative))
		}
		_, _ = fmt.Fprintf(t, "\t")
		for _, x := range f.Change {
			_, _ = fmt.Fprintf(t, "\t%s", changeWords(x, f.Relative))
		}
		_, _ = fmt.Fprintln(t)
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}

// paceWords says how often epochs come.
func paceWords(every time.Duration) string {
	switch {
	case every < 5*time.Minute:
		return "all the time"
	case every < 90*time.Minute && every > 40*time.Minute:
		return "in a burst an hour"
	default:
		return fmt.Sprintf("every %s", every.Round(time.Minute))
	}
}

// seldom says how often something is allowed.
func seldom(perYear float64) string {
	if perYear < 1 {
		return fmt.Sprintf("at most once in %.0f years", 1/perYear)
	}
	return fmt.Sprintf("at most %.1f a year", perYear)
}

// changeWords gives a change of a coordinate: a share of the value, or the feature's own unit.
func changeWords(x float64, relative bool) string {
	if !relative {
		return fmt.Sprintf("%.2g", x)
	}
	switch share := 100 * math.Expm1(x); {
	case share >= 100:
		return fmt.Sprintf("x %.2g", math.Exp(x))
	case share >= 10:
		return fmt.Sprintf("%.0f %%", share)
	default:
		return fmt.Sprintf("%.1f %%", share)
	}
}
