package detect

import (
	"slices"

	"diastole/detect/diagnose"
	"diastole/model/pump"
)

// Possible leaves of the hypotheses of a model those that a pump of these settings can have: one whose air valve a solenoid
// switches has no pilot valve that could be slow.
func Possible(s Settings, all []diagnose.Hypothesis) []diagnose.Hypothesis {
	if !s.Solenoid {
		return all
	}
	return slices.DeleteFunc(slices.Clone(all), func(h diagnose.Hypothesis) bool { return h.Fault == pump.PilotValveSlow })
}
