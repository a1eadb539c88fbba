package plant

import (
	"math"
	"math/rand/v2"
)

// Scatter is one pump of the kind: every parameter differs a little, and the two sides differ from each
// other. At amount 1 the standard deviations are those that makers' tolerances, piping and wear-in leave
// between pumps of one model (common practice): 1 % in machined lengths and areas, 5 to 10 % in flow
// passages, 10 to 25 % in times, friction and piping. The strokes of a healthy pump then differ by some 1 to
// 3 % of their length, an asymmetry (tA-tB)/(tA+tB) of half of that.
func (p Params) Scatter(rng *rand.Rand, amount float64) Params {
	by := func(v *float64, sd float64) { *v *= math.Exp(amount * sd * clamp(rng.NormFloat64(), -2.5, 2.5)) }
	by(&p.Area, 0.01)
	by(&p.HalfTravel, 0.01)
	by(&p.LiquidDead, 0.05)
	by(&p.Mass, 0.1)
	by(&p.Friction, 0.25)
	by(&p.Drag, 0.25)
	by(&p.Spring, 0.25)
	by(&p.SpringCubic, 0.25)
	by(&p.SpoolTransit, 0.15)
	by(&p.Muffler.C, 0.08)
	by(&p.MufflerVolume, 0.1)
	by(&p.HeatConductance, 0.15)
	by(&p.InletVolume, 0.2)
	by(&p.SupplyLine.C, 0.1)
	by(&p.Droop, 0.25)
	by(&p.DroopTime, 0.25)
	by(&p.BallLift, 0.1)
	by(&p.CheckInertance, 0.1)
	by(&p.ChamberCompliance, 0.2)
	by(&p.GasFraction, 0.25)
	by(&p.DischargeCompliance, 0.25)
	by(&p.LineInertance, 0.2)
	by(&p.LineVolume, 0.2)
	by(&p.LineResistance, 0.2)
	by(&p.Throttle, 0.2)
	by(&p.LineLaminar, 0.2)
	by(&p.SuctionCompliance, 0.2)
	by(&p.SuctionInertance, 0.2)
	by(&p.SuctionResistance, 0.2)
	by(&p.SuctionLaminar, 0.2)
	for i := range 2 {
		by(&p.SideArea[i], 0.006)
		by(&p.AirDead[i], 0.04)
		by(&p.PilotDelay[i], 0.20)
		by(&p.Supply[i].C, 0.05)
		by(&p.Exhaust[i].C, 0.10)
		p.Trip[i] = clamp(p.Trip[i]+amount*0.015*clamp(rng.NormFloat64(), -2.5, 2.5), 0.5, 0.98)
	}
	for i := range 4 {
		by(&p.CheckArea[i], 0.06)
		by(&p.BallOpen[i], 0.15)
		by(&p.BallClose[i], 0.15)
	}
	p.Step = p.ChooseStep()
	return p
}
