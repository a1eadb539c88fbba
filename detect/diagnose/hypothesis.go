package diagnose

import (
	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// Hypothesis is one explanation of a change, with what it does to the coordinates at each of a few sizes.
type Hypothesis struct {
	Fault pump.Fault
	Cause pump.Cause
	Side  pump.Side
	// Odds is its prior probability relative to the others.
	Odds    float64
	Effects []chart.Effect
}

// IsFault tells a fault from a cause.
func (h *Hypothesis) IsFault() bool { return h.Fault != "" }

// visible reports whether the coordinates that are known show the effect's direction against its spread. An effect
// that they do not show would only be a licence to explain anything.
func (h *Hypothesis) visible(known *[baseline.Dim]bool) bool {
	if h.Cause == pump.UnexplainedChange {
		return true
	}
	const enough = 3.0 // sum of squares; one component known to within 60 %
	for _, e := range h.Effects {
		power := 0.0
		for j := range baseline.Dim {
			if known[j] && e.Spread[j] > 0 {
				r := e.Mean[j] / e.Spread[j]
				power += r * r
			}
		}
		if power >= enough {
			return true
		}
	}
	return false
}

// direction is a signature in the order of the features: rate, asymmetry, dispersion, hesitation, ripple,
// ripple asymmetry, dip depth, dip width, air per stroke. Where the coordinate is a logarithm, the number is
// a relative change.
type direction = baseline.Vector

var sizes = []float64{0.05, 0.1, 0.2, 0.4, 0.8, 1.6}

// Hypotheses lists the explanations that are weighed, faults first.
func Hypotheses() []Hypothesis {
	effects := func(mean, spread, scatter direction, signs ...float64) []chart.Effect {
		var out []chart.Effect
		for _, sign := range signs {
			for _, s := range sizes {
				e := chart.Effect{Size: sign * s}
				for j := range baseline.Dim {
					e.Mean[j], e.Spread[j], e.Scatter[j] = sign*s*mean[j], s*spread[j], s*scatter[j]
				}
				out = append(out, e)
			}
		}
		return out
	}
	wear := func(f pump.Fault, s pump.Side, odds float64, mean, spread, scatter direction) Hypothesis {
		return Hypothesis{Fault: f, Side: s, Odds: odds, Effects: effects(mean, spread, scatter, 1)}
	}
	cause := func(c pump.Cause, odds float64, signs []float64, mean, spread direction) Hypothesis {
		return Hypothesis{Cause: c, Odds: odds, Effects: effects(mean, spread, direction{}, signs...)}
	}
	one, both := []float64{1}, []float64{1, -1}
	leak := direction{0.09, -0.5, 0, 0, 0.5, 0, 0, 0, -0.02}
	leakSpread := direction{0.15, 0.2, 0.3, 0.3, 0.6, 0.5, 0.1, 0.15, 0.05}
	tear := direction{0, -0.25, 0.2, 0.2, -0.1, 0, 0, 0, 0.3}
	tearSpread := direction{0.2, 0.1, 0.4, 0.4, 0.3, 0.3, 0.15, 0.15, 0.25}
	late := direction{-0.1, 0.3, 0, 0, 0.3, 0, 0, 0, 0.02}
	lateSpread := direction{0.06, 0.1, 0.2, 0.2, 0.3, 0.3, 0.1, 0.2, 0.03}
	unexplained := Hypothesis{Cause: pump.UnexplainedChange, Odds: 0.01}
	for _, s := range []float64{1, 3} {
		e := chart.Effect{Size: s}
		for j, x := range (direction{0.1, 0.05, 0.5, 0.5, 0.3, 0.1, 0.2, 0.2, 0.1}) {
			e.Spread[j] = s * x
		}
		unexplained.Effects = append(unexplained.Effects, e)
	}
	return []Hypothesis{
		wear(pump.CheckValveLeak, pump.SideA, 0.15, leak, leakSpread, direction{}),
		wear(pump.CheckValveLeak, pump.SideB, 0.15, mirrored(leak), leakSpread, direction{}),
		wear(pump.CheckValveLeak, pump.SideBoth, 0.1,
			direction{0.15, 0, 0, 0, 0.2, 0, 0, 0, 0}, direction{0.08, 0.05, 0.2, 0.2, 0.4, 0.1, 0.1, 0.1, 0.05}, direction{}),
		wear(pump.DiaphragmRupture, pump.SideA, 0.075, tear, tearSpread, direction{}),
		wear(pump.DiaphragmRupture, pump.SideB, 0.075, mirrored(tear), tearSpread, direction{}),
		wear(pump.AirValveSticking, pump.SideUnknown, 0.15,
			direction{-0.3, 0, 2, 3, 1, 0, -0.2, 0.2, 0}, direction{0.2, 0.1, 1, 1, 1, 0.3, 0.3, 0.3, 0.05}, direction{0.1, 0.05, 1, 1, 0.5, 0.2, 0.1, 0.1, 0.02}),
		wear(pump.AirValveLeak, pump.SideUnknown, 0.1,
			direction{-0.02, 0, 0, 0, 0, 0, 0, 0, 0.4}, direction{0.03, 0.02, 0.1, 0.1, 0.1, 0.03, 0.1, 0.1, 0.15}, direction{}),
		wear(pump.PilotValveSlow, pump.SideBoth, 0.03,
			direction{-0.15, 0, 0, 0, 0.3, 0, 0, 0, 0.02}, direction{0.08, 0.03, 0.2, 0.2, 0.3, 0.1, 0.1, 0.2, 0.03}, direction{}),
		wear(pump.PilotValveSlow, pump.SideA, 0.01, late, lateSpread, direction{}),
		wear(pump.PilotValveSlow, pump.SideB, 0.01, mirrored(late), lateSpread, direction{}),
		cause(pump.SuctionRestricted, 0.1, one,
			direction{-0.3, 0, 0, 0, 0, 0, 0, 0, 0}, direction{0.15, 0.04, 0.2, 0.2, 0.3, 0.1, 0.05, 0.1, 0.05}),
		cause(pump.SuctionAir, 0.1, one,
			direction{0.15, 0, 0.5, 0.3, -0.5, 0, 0, 0, -0.05}, direction{0.15, 0.05, 0.5, 0.5, 0.3, 0.1, 0.1, 0.1, 0.05}),
		cause(pump.ExhaustRestricted, 0.05, one,
			direction{-0.4, 0, 0, 0, 0.1, 0, -0.2, 0.1, -0.03}, direction{0.2, 0.03, 0.2, 0.2, 0.3, 0.1, 0.2, 0.2, 0.05}),
		cause(pump.SupplyRestricted, 0.1, one,
			direction{-0.05, 0, 0, 0, 0, 0, 0.5, 0.4, -0.1}, direction{0.05, 0.03, 0.2, 0.2, 0.2, 0.05, 0.3, 0.3, 0.08}),
		cause(pump.LiquidChanged, 0.1, both,
			direction{-0.3, 0, 0, 0, -0.2, 0, 0, 0, 0}, direction{0.15, 0.03, 0.1, 0.1, 0.3, 0.1, 0.1, 0.1, 0.05}),
		cause(pump.DamperLost, 0.05, both,
			direction{0, 0, 0, 0, 1, 0, 0, 0, 0}, direction{0.03, 0.05, 0.3, 0.3, 0.3, 0.2, 0.05, 0.1, 0.03}),
		unexplained,
	}
}

// mirrored exchanges A and B.
func mirrored(d direction) direction {
	d[feature.Asymmetry] = -d[feature.Asymmetry]
	d[feature.RippleAsymmetry] = -d[feature.RippleAsymmetry]
	return d
}
