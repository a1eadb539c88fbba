package event

import (
	"fmt"
	"math"
)

// Words say how long the pump will do.
func (r Remaining) Words() string {
	if r.P90 == 0 {
		return "It may call for a rebuild at once."
	}
	return fmt.Sprintf("Running hours until it calls for a rebuild at once: about %s, between %s and %s in eight of ten such cases.",
		number(r.P50), number(r.P10), number(r.P90))
}

// Words say what the fault wastes.
func (w AirWaste) Words() string {
	s := fmt.Sprintf("Air wasted while it runs: about %s m3/h ANR", number(w.PerHour))
	if w.PerYear > 0 {
		s += fmt.Sprintf(", %s m3 a year at the present duty", number(w.PerYear))
	}
	if w.CostPerYear > 0 {
		s += fmt.Sprintf(", %s %s a year", number(w.CostPerYear), w.Currency)
	}
	if w.PaybackDays > 0 {
		s += fmt.Sprintf("; a rebuild pays for itself by that in %s days", number(w.PaybackDays))
	}
	return s + "."
}

// number writes two figures without an exponent.
func number(x float64) string {
	if x >= 10 {
		return fmt.Sprintf("%.0f", math.Round(x))
	}
	return fmt.Sprintf("%.2g", x)
}
