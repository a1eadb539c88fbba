package detect

import (
	"diastole/detect/baseline"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/signal"
	"diastole/model/pump"
)

// Sight is what a pump's channels can show of one fault or cause.
type Sight struct {
	Fault pump.Fault
	Cause pump.Cause
	Seen  bool
	// Missing are the channels that would help, where it is not seen.
	Missing []signal.Channel
}

// needs are the channels without which a feature cannot be formed.
var needs = [feature.NumFeatures][]signal.Channel{
	feature.StrokeRate:      {signal.AirInletPressure},
	feature.Asymmetry:       {signal.AirInletPressure},
	feature.Dispersion:      {signal.AirInletPressure},
	feature.Hesitation:      {signal.AirInletPressure},
	feature.Ripple:          {signal.AirInletPressure, signal.DischargePressure},
	feature.RippleAsymmetry: {signal.AirInletPressure, signal.DischargePressure},
	feature.DipDepth:        {signal.AirInletPressure},
	feature.DipWidth:        {signal.AirInletPressure},
	feature.AirPerStroke:    {signal.AirInletPressure, signal.AirFlow},
	feature.Dwell:           {signal.AirInletPressure, signal.DischargePressure},
	feature.DwellAsymmetry:  {signal.AirInletPressure, signal.DischargePressure},
}

// Sights lists, for each fault and each cause that a bank weighs, whether the pump's channels can show it.
func Sights(s Settings) []Sight {
	have := featuresOf(s.Channels)
	var out []Sight
	for _, f := range pump.Faults() {
		out = append(out, sightOf(s, have, func(h *diagnose.Hypothesis) bool { return h.Fault == f }, Sight{Fault: f}))
	}
	for _, c := range pump.Causes() {
		of := func(h *diagnose.Hypothesis) bool { return h.Cause == c }
		if weighed(s.Hypotheses, of) && c != pump.UnexplainedChange {
			out = append(out, sightOf(s, have, of, Sight{Cause: c}))
		}
	}
	return out
}

func weighed(hs []diagnose.Hypothesis, of func(*diagnose.Hypothesis) bool) bool {
	for i := range hs {
		if of(&hs[i]) {
			return true
		}
	}
	return false
}

// featuresOf tells which features the channels allow. Without an operating point nothing is judged.
func featuresOf(channels [signal.NumChannels]bool) (have [baseline.Dim]bool) {
	if !channels[signal.AirInletPressure] || !channels[signal.DischargePressure] {
		return have
	}
	for f := range feature.NumFeatures {
		have[f] = true
		for _, c := range needs[f] {
			have[f] = have[f] && channels[c]
		}
	}
	return have
}

// sightOf decides for the hypotheses that of picks, and else finds the single channels that would show one of them.
func sightOf(s Settings, have [baseline.Dim]bool, of func(*diagnose.Hypothesis) bool, sight Sight) Sight {
	seen := func(have [baseline.Dim]bool) bool {
		for i := range s.Hypotheses {
			if h := &s.Hypotheses[i]; of(h) && h.Visible(&have) {
				return true
			}
		}
		return false
	}
	if sight.Seen = seen(have); sight.Seen {
		return sight
	}
	base := s.Channels
	for _, c := range []signal.Channel{signal.AirInletPressure, signal.DischargePressure} {
		if !base[c] {
			sight.Missing = append(sight.Missing, c)
			base[c] = true
		}
	}
	if seen(featuresOf(base)) {
		return sight
	}
	for c := range signal.NumChannels {
		more := base
		more[c] = true
		if !base[c] && seen(featuresOf(more)) {
			sight.Missing = append(sight.Missing, c)
		}
	}
	return sight
}
