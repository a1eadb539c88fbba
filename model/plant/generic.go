package plant

import (
	"math"

	"diastole/model/air"
	"diastole/model/pump"
)

// The generic one-inch pump and its piping, from which the other sizes follow by similarity. The figures
// marked [r] lie in ranges read from makers' sheets and manuals; the others are common practice or chosen so
// that the whole meets the published points that the tests name.
const (
	refStrokeVolume = 0.35e-3    // m3 [r] 0.25 to 0.5 L
	refCycleRate    = 220.0 / 60 // 1/s [r] 180 to 280 a minute
	refTravel       = 0.028      // m stop to stop, common practice
	refMass         = 2.0        // kg, shaft, plates and water, common practice
	refSupplyC      = 5.5e-8     // m3/(s Pa), main valve, common practice
	refExhaustC     = 9.0e-8     // m3/(s Pa), exhaust ports are the wider, common practice
	refMufflerC     = 1.3e-7     // m3/(s Pa), a clean muffler
	refSupplyLineC  = 7.0e-8     // m3/(s Pa), regulator, filter and hose of half an inch, common practice
	refInletVolume  = 0.5e-3     // m3, hose and valve body
	refCheckArea    = 2.1e-4     // m2, 3 cm2 open at a discharge coefficient of 0.7
)

// Generic gives the parameters of a built-in size of package pump with an ordinary installation: a few
// metres of hose, no damper. Only the scale differs between sizes: lengths, areas, conductances and
// compliances follow stroke volume and stroke rate so that the pumps are dynamically similar, but a small
// pump has more friction and more dead volume for its size (common practice).
func Generic(model string) (Params, error) {
	m, err := pump.Generic(model)
	if err != nil {
		return Params{}, err
	}
	var (
		volume = m.StrokeVolume / refStrokeVolume
		rate   = m.MaxCycleRate / refCycleRate
		flow   = volume * rate
		length = math.Cbrt(volume)
		small  = math.Pow(volume, -0.08) // 1.22 at a quarter inch, 0.82 at three inches
	)
	const areaFall = 0.15 // falls toward the ends by 10 to 20 % (common practice)
	p := Params{
		Model:      m.Name,
		AreaFall:   areaFall,
		SideArea:   [2]float64{1, 1},
		HalfTravel: refTravel / 2 * length,
	}
	p.Area = m.StrokeVolume / (2 * p.HalfTravel * (1 - areaFall/3))
	dead := 0.36 * m.StrokeVolume * small
	p.AirDead = [2]float64{dead, dead}
	p.LiquidDead = 0.6 * m.StrokeVolume
	p.Mass = refMass * length / (rate * rate)
	p.Friction = 0.14e5 * p.Area * small
	p.Drag = 0.05e5 * p.Area * small / (refTravel * length * 4 * m.MaxCycleRate)
	p.Spring = 0.05e5 * p.Area / p.HalfTravel
	p.SpringCubic = 0.10e5 * p.Area / (p.HalfTravel * p.HalfTravel * p.HalfTravel)

	p.Trip = [2]float64{0.93, 0.93}
	p.PilotDelay = [2]float64{16e-3 / rate, 16e-3 / rate}
	p.SpoolTransit = 14e-3 / rate
	p.SpoolOverlap = 0.08

	p.Supply = both(refSupplyC*flow, 0.3)
	p.Exhaust = both(refExhaustC*flow, 0.3)
	p.Muffler = air.Conductance{C: refMufflerC * flow, B: 0.4}
	p.MufflerVolume = 0.4e-3 * volume
	p.HeatConductance = 5 * flow
	p.InletVolume = refInletVolume * volume
	p.SupplyLine = air.Conductance{C: refSupplyLineC * flow, B: 0.3}
	p.Droop = 2.0e6 / flow
	p.DroopTime = 0.25 / rate

	for i := range p.CheckArea {
		p.CheckArea[i] = refCheckArea * flow
		p.BallOpen[i] = 4e-3 / rate
		p.BallClose[i] = 6e-3 / rate
	}
	p.BallLift = 2500
	p.CheckInertance = 2.0e5 / (flow * rate)
	p.CheckLaminar = 4e5 / flow
	p.ChamberCompliance = 1.5e-11 * volume
	p.GasFraction = 0.005

	p.DischargeCompliance = 5e-10 * volume
	p.LineInertance = 1.5e7 / (flow * rate)
	p.LineVolume = 5e-3 * volume
	p.LineResistance = 1.0e11 / (flow * flow)
	p.Throttle = 1.0e11 / (flow * flow)
	p.LineLaminar = 4e6 / flow
	p.SuctionCompliance = 2e-10 * volume
	p.SuctionInertance = 1.5e6 / (flow * rate)
	p.SuctionResistance = 6e9 / (flow * flow)
	p.SuctionLaminar = 5e5 / flow

	p.Jitter = 0.009
	p.BedInFriction = 1.4
	p.BedInStrokes = 15000
	p.Step = p.ChooseStep()
	return p, nil
}

func both(c, b float64) [2]air.Conductance {
	return [2]air.Conductance{{C: c, B: b}, {C: c, B: b}}
}

// Reference is the ordinary duty of the pump: five bar at the regulator from a header of seven, one bar
// of static head, flooded by a metre of water, water at 20 degC.
func (p *Params) Reference() Process {
	return Process{
		Header: 7e5, Setting: 5e5, StaticHead: 1e5, SuctionHead: 0.1e5,
		ThrottleFactor: 1, Viscosity: 1, Density: 1, Damper: 1, Ambient: 293.15,
	}
}
