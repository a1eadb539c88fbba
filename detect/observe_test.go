package detect

import (
	"slices"
	"testing"

	"diastole/detect/signal"
	"diastole/model/pump"
)

// TestSights: what channels can show, and which channel is missing where they cannot.
func TestSights(t *testing.T) {
	inlet, discharge, flow := signal.AirInletPressure, signal.DischargePressure, signal.AirFlow
	for _, c := range []struct {
		have    []signal.Channel
		fault   pump.Fault
		seen    bool
		missing signal.Channel
	}{
		{have: []signal.Channel{inlet, discharge, flow}, fault: pump.AirValveLeak, seen: true},
		{have: []signal.Channel{inlet, discharge}, fault: pump.CheckValveLeak, seen: true},
		{have: []signal.Channel{inlet, discharge}, fault: pump.DiaphragmRupture, seen: true},
		{have: []signal.Channel{inlet}, fault: pump.CheckValveLeak, missing: discharge},
		{have: []signal.Channel{discharge}, fault: pump.AirValveSticking, missing: inlet},
		{have: []signal.Channel{signal.StrokeCount}, fault: pump.DiaphragmRupture, missing: inlet},
	} {
		set := watched(t)
		set.Channels = [signal.NumChannels]bool{}
		for _, ch := range c.have {
			set.Channels[ch] = true
		}
		sights := Sights(set)
		i := slices.IndexFunc(sights, func(s Sight) bool { return s.Fault == c.fault })
		if i < 0 {
			t.Fatalf("with %v nothing is said of %s", c.have, c.fault)
		}
		s := sights[i]
		if s.Seen != c.seen || !c.seen && !slices.Contains(s.Missing, c.missing) || c.seen && len(s.Missing) > 0 {
			t.Errorf("with %v, %s: seen %t, missing %v", c.have, c.fault, s.Seen, s.Missing)
		}
		for _, ch := range s.Missing {
			if set.Channels[ch] {
				t.Errorf("with %v, %s: %s is said to be missing", c.have, c.fault, ch)
			}
		}
	}
}

// TestSightsSayEverything: every fault once, every cause that is weighed once, and nothing of what is no cause of its own.
func TestSightsSayEverything(t *testing.T) {
	seen := map[string]int{}
	for _, s := range Sights(watched(t)) {
		seen[string(s.Fault)+string(s.Cause)]++
	}
	for _, f := range pump.Faults() {
		if seen[string(f)] != 1 {
			t.Errorf("%s is told %d times", f, seen[string(f)])
		}
	}
	for _, h := range watched(t).Hypotheses {
		if h.Cause != "" && h.Cause != pump.UnexplainedChange && seen[string(h.Cause)] != 1 {
			t.Errorf("%s is told %d times", h.Cause, seen[string(h.Cause)])
		}
	}
	if seen[string(pump.UnexplainedChange)] != 0 {
		t.Error("a change of no known kind is told as something to see")
	}
}
