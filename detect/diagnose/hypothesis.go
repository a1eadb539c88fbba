package diagnose

import (
	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// Hypothesis is one explanation of a change and what it does to the coordinates.
type Hypothesis struct {
	Fault pump.Fault
	Cause pump.Cause
	Side  pump.Side
	// Odds is its prior probability relative to the others, before the strokes since the last rebuild are known.
	Odds   float64
	Effect chart.Effect
}

// IsFault tells a fault from a cause.
func (h *Hypothesis) IsFault() bool { return h.Fault != "" }

// direction is a signature in the order of the features: rate, asymmetry, dispersion, hesitation, ripple,
// ripple asymmetry, dip depth, dip width, air per stroke. Where the coordinate is a logarithm, the number is
// a relative change.
type direction = baseline.Vector

// Hypotheses lists the explanations that are weighed, faults first.
func Hypotheses() []Hypothesis {
	wear := func(f pump.Fault, s pump.Side, odds float64, mean, spread direction) Hypothesis {
		return Hypothesis{Fault: f, Side: s, Odds: odds, Effect: chart.Effect{Mean: mean, Spread: spread, Jump: 0.3, Drift: 0.1}}
	}
	cause := func(c pump.Cause, odds float64, signed bool, mean, spread direction) Hypothesis {
		return Hypothesis{Cause: c, Odds: odds, Effect: chart.Effect{Mean: mean, Spread: spread, Jump: 0.5, Drift: 0.2, Signed: signed}}
	}
	leak := direction{0.09, -0.5, 0, 0, 0.5, 0, 0, 0, -0.02}
	leakSpread := direction{0.08, 0.2, 0.3, 0.3, 0.6, 0.5, 0.1, 0.15, 0.05}
	tear := direction{0, -0.25, 0.2, 0.2, -0.1, 0, 0, 0, 0.3}
	tearSpread := direction{0.2, 0.1, 0.4, 0.4, 0.3, 0.3, 0.15, 0.15, 0.25}
	late := direction{-0.1, 0.3, 0, 0, 0.3, 0, 0, 0, 0.02}
	lateSpread := direction{0.06, 0.1, 0.2, 0.2, 0.3, 0.3, 0.1, 0.2, 0.03}
	return []Hypothesis{
		wear(pump.CheckValveLeak, pump.SideA, 0.15, leak, leakSpread),
		wear(pump.CheckValveLeak, pump.SideB, 0.15, mirrored(leak), leakSpread),
		wear(pump.CheckValveLeak, pump.SideBoth, 0.1,
			direction{0.15, 0, 0, 0, 0.2, 0, 0, 0, 0}, direction{0.08, 0.05, 0.2, 0.2, 0.4, 0.1, 0.1, 0.1, 0.05}),
		wear(pump.DiaphragmRupture, pump.SideA, 0.075, tear, tearSpread),
		wear(pump.DiaphragmRupture, pump.SideB, 0.075, mirrored(tear), tearSpread),
		wear(pump.AirValveSticking, pump.SideUnknown, 0.15,
			direction{-0.3, 0, 2, 3, 1, 0, -0.2, 0.2, 0}, direction{0.2, 0.1, 1, 1, 1, 0.3, 0.3, 0.3, 0.05}),
		wear(pump.AirValveLeak, pump.SideUnknown, 0.1,
			direction{-0.02, 0, 0, 0, 0, 0, 0, 0, 0.4}, direction{0.03, 0.02, 0.1, 0.1, 0.1, 0.03, 0.1, 0.1, 0.15}),
		wear(pump.PilotValveSlow, pump.SideBoth, 0.03,
			direction{-0.15, 0, 0, 0, 0.3, 0, 0, 0, 0.02}, direction{0.08, 0.03, 0.2, 0.2, 0.3, 0.1, 0.1, 0.2, 0.03}),
		wear(pump.PilotValveSlow, pump.SideA, 0.02, late, lateSpread),
		wear(pump.PilotValveSlow, pump.SideB, 0.02, mirrored(late), lateSpread),
		cause(pump.SuctionRestricted, 0.1, false,
			direction{-0.3, 0, 0, 0, 0, 0, 0, 0, 0}, direction{0.15, 0.04, 0.2, 0.2, 0.3, 0.1, 0.05, 0.1, 0.05}),
		cause(pump.SuctionAir, 0.1, false,
			direction{0.15, 0, 0.5, 0.3, -0.5, 0, 0, 0, -0.05}, direction{0.15, 0.05, 0.5, 0.5, 0.3, 0.1, 0.1, 0.1, 0.05}),
		cause(pump.ExhaustRestricted, 0.05, false,
			direction{-0.4, 0, 0, 0, 0.1, 0, -0.2, 0.1, -0.03}, direction{0.2, 0.03, 0.2, 0.2, 0.3, 0.1, 0.2, 0.2, 0.05}),
		cause(pump.SupplyRestricted, 0.1, false,
			direction{-0.05, 0, 0, 0, 0, 0, 0.5, 0.4, -0.1}, direction{0.05, 0.03, 0.2, 0.2, 0.2, 0.05, 0.3, 0.3, 0.08}),
		cause(pump.LiquidChanged, 0.1, true,
			direction{-0.3, 0, 0, 0, -0.2, 0, 0, 0, 0}, direction{0.15, 0.03, 0.1, 0.1, 0.3, 0.1, 0.1, 0.1, 0.05}),
		cause(pump.DamperLost, 0.05, true,
			direction{0, 0, 0, 0, 1, 0, 0, 0, 0}, direction{0.03, 0.05, 0.3, 0.3, 0.3, 0.2, 0.05, 0.1, 0.03}),
		{Cause: pump.UnexplainedChange, Odds: 0.01, Effect: chart.Effect{Free: direction{0.1, 0.05, 0.5, 0.5, 0.3, 0.1, 0.2, 0.2, 0.1}}},
	}
}

// mirrored exchanges A and B.
func mirrored(d direction) direction {
	d[feature.Asymmetry] = -d[feature.Asymmetry]
	d[feature.RippleAsymmetry] = -d[feature.RippleAsymmetry]
	return d
}
