package discover

import (
	"fmt"
	"slices"
	"strings"

	"diastole/detect/signal"
)

// guess is a unit with the reason for it.
type guess struct{ unit, why string }

// stated are the ways in which senders write units, by words of their own or at the end of a name.
var stated = map[string]string{
	"pa": "Pa", "hpa": "mbar", "kpa": "kPa", "mpa": "MPa", "bar": "bar", "barg": "bar", "bar(g)": "bar", "mbar": "mbar", "psi": "psi", "psig": "psi",
	"bara": "bar(abs)", "bar(a)": "bar(abs)", "psia": "psi(abs)", "inhg": "inHg",
	"cel": "Cel", "degc": "Cel", "°c": "Cel", "c": "Cel", "k": "K", "degf": "degF", "°f": "degF", "f": "degF",
	"l/min": "L/min", "lpm": "L/min", "lmin": "L/min", "l/s": "L/s", "m3/h": "m3/h", "m³/h": "m3/h", "gpm": "gal/min", "scfm": "scfm",
	"ma": "mA",
}

// unitsOf are the units of a channel's kind.
func unitsOf(c signal.Channel) []string {
	switch {
	case strings.HasSuffix(c.String(), "_pressure"):
		return []string{"Pa", "kPa", "MPa", "bar", "mbar", "psi", "inHg", "bar(abs)", "psi(abs)", "mA"}
	case strings.HasSuffix(c.String(), "_temperature"):
		return []string{"Cel", "K", "degF", "mA"}
	case c == signal.AirFlow:
		return []string{"L/min", "L/s", "m3/h", "gal/min", "scfm", "mA"}
	case c == signal.LiquidFlow:
		return []string{"L/min", "L/s", "m3/h", "gal/min", "mA"}
	}
	return nil
}

// unitOf guesses the unit of a channel; highest is the highest value among the pressures of its pump, which share a unit.
func unitOf(x *signalSeen, c signal.Channel, highest float64) guess {
	allowed := unitsOf(c)
	if allowed == nil {
		return guess{}
	}
	if u := stated[strings.ToLower(x.unit)]; slices.Contains(allowed, u) {
		return guess{u, fmt.Sprintf("the sender says %q", x.unit)}
	}
	// A unit at the end of a name says more than a range: pressure_kpa.
	name := words(x.place()...)
	if n := len(name); n > 0 && len(name[n-1]) > 1 {
		if u := stated[name[n-1]]; slices.Contains(allowed, u) {
			return guess{u, fmt.Sprintf("the name ends with %q", name[n-1])}
		}
	}
	why := fmt.Sprintf("a guess from values of %.4g to %.4g", x.min, x.max)
	if strings.HasSuffix(c.String(), "_temperature") {
		switch {
		case x.max > 250:
			return guess{"K", why}
		case x.max > 60:
			return guess{"degF", why}
		}
		return guess{"Cel", why}
	}
	if !strings.HasSuffix(c.String(), "_pressure") {
		return guess{"L/min", why}
	}
	if highest > x.max {
		why += fmt.Sprintf(" beside %.4g of the same pump", highest)
	}
	// Compressed air of a plant is 4 to 9 bar (common practice); the decades of its units hardly meet, but a current in mA looks
	// like bar while it is below the limit of most pumps.
	switch {
	case x.min >= 3.6 && highest > 9 && highest <= 21:
		return guess{"mA", why}
	case x.min >= 4 && highest <= 9:
		return guess{"bar", why + "; or is it a current in mA?"}
	case highest < 1.5:
		return guess{"MPa", why}
	case highest <= 15:
		return guess{"bar", why}
	case highest <= 160:
		return guess{"psi", why}
	case highest <= 1600:
		return guess{"kPa", why}
	case highest <= 16000:
		return guess{"mbar", why}
	}
	return guess{"Pa", why}
}
