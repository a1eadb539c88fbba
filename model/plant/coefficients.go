package plant

import (
	"math"

	"diastole/model/air"
)

// coefficients is what follows from parameters, faults and process and stays until the next Set.
type coefficients struct {
	dt, half                         float64
	sign                             [2]float64
	manifoldVolume, suctionVolume    float64
	damper, suctionGas, drawnGas     float64
	density, viscosity               float64
	supplyLine, blowBy, seal, vent   air.Conductance
	airLeak                          [2]air.Conductance
	hole                             [2]air.Conductance
	holeLiquid                       [2]float64 // discharge coefficient times area, m2
	transit                          float64    // 1/s at spoolPressure
	linePipe, lineThrottle, laminar  float64
	suctionResistance, suctionLamina float64
}

func (s *Pump) coefficients() {
	p, f, pr := &s.p, &s.f, &s.pr
	c := &s.c
	c.dt = p.Step
	c.half = p.displacement(p.HalfTravel)
	c.sign = [2]float64{1, -1}
	// The damper's vessel is part of the manifold: it fills with liquid when its charge is lost.
	c.manifoldVolume = 4*c.half + p.DamperGas/atmosphere
	c.suctionVolume = 4 * c.half
	c.damper = p.DamperGas * clamp(pr.Damper, 0, 1)
	c.suctionGas = p.GasFraction * atmosphere * c.suctionVolume
	c.density = waterDensity * pr.Density
	c.viscosity = pr.Viscosity

	c.drawnGas = clamp(p.GasFraction+pr.SuctionAir, 0, 0.98)
	if pr.DryRun {
		c.drawnGas = 1
	}

	c.supplyLine = scaled(p.SupplyLine, 1-clamp(pr.SupplyBlock, 0, 1))
	c.vent = air.Conductance{}
	if pr.AirOff {
		c.supplyLine.C = 0
		c.vent = scaled(p.SupplyLine, 0.1)
	}
	c.blowBy = air.Conductance{C: f.SpoolBlowBy, B: leakBratio}
	c.seal = air.Conductance{C: f.ShaftSeal, B: leakBratio}
	for i := range 2 {
		c.airLeak[i] = air.Conductance{C: f.AirLeak[i], B: leakBratio}
		c.hole[i] = air.OfHole(holeDischarge, f.DiaphragmHole[i])
		c.holeLiquid[i] = holeDischarge * f.DiaphragmHole[i]
	}
	c.transit = 1 / (p.SpoolTransit * max(1, f.SpoolSlow))

	// Turbulent pipe loss goes with the friction factor of Blasius, Re^-1/4; fittings, valves and nozzles
	// do not feel viscosity until it is high, when the laminar terms take over.
	blasius := math.Pow(pr.Viscosity/pr.Density, 0.25)
	c.linePipe = p.LineResistance * pr.Density * blasius
	c.lineThrottle = p.Throttle * pr.Density * max(0, pr.ThrottleFactor)
	c.laminar = p.LineLaminar * pr.Viscosity
	open := 1 - clamp(pr.SuctionBlock, 0, 0.999)
	c.suctionResistance = p.SuctionResistance * pr.Density * blasius / (open * open)
	c.suctionLamina = p.SuctionLaminar * pr.Viscosity / open

	for i := range s.check {
		k := &s.check[i]
		k.area, k.leak = p.CheckArea[i], f.CheckLeak[i]
		k.held, k.stuck = clamp(f.BallHeld[i], 0, 1), f.BallStuck[i]
		k.laminar = p.CheckLaminar * pr.Viscosity
		k.inertance = p.CheckInertance * pr.Density / p.Step
		k.perLift = 1 / p.BallLift
	}
}

func scaled(k air.Conductance, by float64) air.Conductance {
	return air.Conductance{C: k.C * by, B: k.B}
}

func clamp(v, lo, hi float64) float64 { return min(max(v, lo), hi) }
