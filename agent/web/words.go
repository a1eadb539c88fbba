package web

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"diastole/agent/event"
	"diastole/agent/web/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// quantity is how one kind of number is shown: shown = SI * factor.
type quantity struct {
	name, unit string
	factor     float64
	decimals   int
}

// pressure is shown in bar gauge.
var pressure = quantity{"", "bar", 1e-5, 2}

var quantities = [feature.NumFeatures]quantity{
	feature.StrokeRate:      {"Stroke rate", "strokes/min", 60, 1},
	feature.Asymmetry:       {"Stroke time asymmetry, A to B", "%", 100, 1},
	feature.Dispersion:      {"Stroke time scatter", "%", 100, 1},
	feature.Hesitation:      {"Hesitation of the slowest strokes", "%", 100, 1},
	feature.Ripple:          {"Discharge ripple", "%", 100, 1},
	feature.RippleAsymmetry: {"Discharge ripple asymmetry, A to B", "%", 100, 1},
	feature.Dwell:           {"Wait at the end of a stroke", "%", 100, 1},
	feature.DwellAsymmetry:  {"Wait at the end of a stroke, A to B", "%", 100, 1},
	feature.DipDepth:        {"Air inlet dip, depth", "%", 100, 1},
	feature.DipWidth:        {"Air inlet dip, width", "ms", 1000, 1},
	feature.AirPerStroke:    {"Air per stroke, at 1 bar absolute", "L ANR", 1000, 2},
}

// quantityOf finds how a feature named in an event is shown; one that is not known here is shown as
// it came.
func quantityOf(name, unit string) quantity {
	for f := range feature.NumFeatures {
		if f.String() == name && f.Unit() == unit {
			return quantities[f]
		}
	}
	if unit == "1" {
		unit = ""
	}
	return quantity{sentence(name), unit, 1, 4}
}

// number is the value with the quantity's decimals, without its unit; a dash where there is none.
func (q quantity) number(si float64) string {
	return chart.Number(si*q.factor, q.decimals)
}

// sentence turns a name such as "check-valve-leak" into "Check valve leak".
func sentence(name string) string {
	text := plain(name)
	if text == "" {
		return ""
	}
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:]
}

// plain is sentence without the capital, for the middle of a phrase.
func plain(name string) string { return strings.NewReplacer("-", " ", "_", " ").Replace(name) }

var statusWords = map[Status]string{
	Failure:             "Failure",
	FunctionCheck:       "Function check",
	OutOfSpecification:  "Out of specification",
	MaintenanceRequired: "Maintenance required",
	NoData:              "No data",
	Good:                "Good",
}

// Word is the status in words.
func (s Status) Word() string { return statusWords[s] }

var stateWords = [feature.NumStates]string{
	feature.Off:         "no air at the inlet",
	feature.Running:     "running",
	feature.Stalled:     "stalled against pressure",
	feature.NotStroking: "air on, not stroking",
	feature.Dry:         "running dry",
	feature.Unknown:     "state not known",
	feature.Starting:    "starting",
}

// doing says in words what a pump does, or why that is not known.
func doing(p PumpView) string {
	switch {
	case p.LastData.IsZero():
		return "no data yet"
	case p.Stale:
		return "silent since " + p.LastData.UTC().Format("2 Jan 15:04")
	case p.State >= feature.NumStates:
		return p.State.String()
	}
	return stateWords[p.State]
}

func sideWords(s pump.Side) string {
	switch s {
	case pump.SideA:
		return "the stroke that ends on an odd count (A)"
	case pump.SideB:
		return "the stroke that ends on an even count (B)"
	case pump.SideBoth:
		return "both strokes"
	}
	return "side unknown: open all four valve chambers"
}

func urgencyWords(u pump.Urgency) string {
	switch u {
	case pump.Stop:
		return "Stop the pump as the site's procedure decides"
	case pump.Soon:
		return "Soon, before the next planned stop"
	case pump.Planned:
		return "At the next planned stop"
	}
	return sentence(string(u))
}

func stateOfTicket(t event.Ticket) string {
	switch t.State {
	case event.StateAcknowledged:
		return "Acknowledged"
	case event.StateScheduled:
		return "Scheduled for " + t.ScheduledFor
	case event.StateInWork:
		return "In work"
	case event.StateClosed:
		if t.Outcome != "" {
			return "Closed, " + plain(string(t.Outcome))
		}
		return "Closed"
	}
	return "Open"
}

// percent shows a share of one; what is not quite certain never reads 100 %.
func percent(share float64) string {
	switch v := share * 100; {
	case math.IsNaN(v):
		return "–"
	case v > 99 && v < 100:
		return "over 99 %"
	case v > 0 && v < 1:
		return "under 1 %"
	default:
		return chart.Number(v, 0) + "\u00a0%"
	}
}

// grouped writes a whole number with narrow spaces between the thousands.
func grouped(v float64) string {
	digits := strconv.FormatFloat(math.Round(v), 'f', 0, 64)
	var b strings.Builder
	for i, d := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 && digits[i-1] != '-' {
			b.WriteRune('\u202f')
		}
		b.WriteRune(d)
	}
	return b.String()
}

// utc shows a time to the minute, always with the word UTC.
func utc(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

// machineTime is the time for a datetime attribute.
func machineTime(t time.Time) string { return t.UTC().Format(time.RFC3339) }
