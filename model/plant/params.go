package plant

import (
	"fmt"
	"math"

	"diastole/model/air"
)

// The two sides of a pump, as indices.
const (
	Left  = 0
	Right = 1
)

// The four check valves, as indices.
const (
	SuctionLeft = iota
	SuctionRight
	DischargeLeft
	DischargeRight
)

// Params is one pump body with its piping as installed. All values are SI. Where a field is an array of
// two, it is by side; of four, by check valve. The sources of the generic values stand in generic.go.
type Params struct {
	// Model names the size.
	Model string

	// Area is the effective area of a diaphragm at mid travel, m2; at the end of travel it is smaller by
	// the fraction AreaFall. SideArea scales it per side, 1 = as built.
	Area, AreaFall float64
	SideArea       [2]float64
	// HalfTravel is the distance from the middle to either stop, m.
	HalfTravel float64
	// AirDead is the air volume of a chamber when its diaphragm is fully in, m3; LiquidDead the liquid
	// volume when it is fully out.
	AirDead    [2]float64
	LiquidDead float64
	// Mass moves with the shaft: shaft, plates, diaphragms and the liquid before them, kg.
	Mass float64
	// Friction is the dry friction of seals and bushings, N; Drag the viscous part, N s/m.
	Friction, Drag float64
	// Spring is the stiffness of both diaphragms about the middle, N/m; SpringCubic, N/m3, stiffens it
	// toward the ends.
	Spring, SpringCubic float64

	// Trip is where the pilot of each side trips, as a fraction of HalfTravel; index Left ends the stroke
	// in which the left side discharges.
	Trip [2]float64
	// PilotDelay is from trip to the spool's start, s.
	PilotDelay [2]float64
	// SpoolTransit is the travel time of the spool at 5 bar inlet, s; it goes with the root of the inlet
	// gauge pressure. SpoolOverlap is the part of half its travel in which all ports are shut.
	SpoolTransit, SpoolOverlap float64

	// Supply and Exhaust are the passages of the main valve, full open.
	Supply, Exhaust [2]air.Conductance
	// Muffler is what lies between the exhaust port's volume MufflerVolume (m3) and the atmosphere.
	Muffler       air.Conductance
	MufflerVolume float64
	// HeatConductance is the heat that an air chamber takes from its walls, W/K.
	HeatConductance float64
	// InletVolume is the air volume between the regulator's hose and the main valve, m3.
	InletVolume float64
	// SupplyLine is the passage of regulator, filter, hose and shut-off valve.
	SupplyLine air.Conductance
	// Droop is how far the regulator's pressure falls per mass flow, Pa s/kg, reached with the time
	// constant DroopTime, s.
	Droop, DroopTime float64

	// CheckArea is the discharge coefficient times the flow area of an open check valve, m2.
	CheckArea [4]float64
	// BallLift is the pressure difference that holds a ball fully open, Pa.
	BallLift float64
	// BallOpen and BallClose are the times of a full lift and a full fall, s.
	BallOpen, BallClose [4]float64
	// CheckInertance is that of the passage through a check valve, for water, kg/m4. CheckLaminar is its
	// laminar resistance for water, Pa s/m3.
	CheckInertance, CheckLaminar float64
	// ChamberCompliance is the give of a liquid chamber's walls and diaphragm, m3/Pa.
	ChamberCompliance float64
	// GasFraction is the gas that the liquid carries in, by volume at the atmosphere.
	GasFraction float64

	// DischargeCompliance is that of manifold and hose up to the line, m3/Pa. DamperGas is the gas of a
	// pulsation damper: its volume times its absolute pressure, Pa m3; zero for none.
	DischargeCompliance, DamperGas float64
	// LineInertance is that of the discharge line for water, kg/m4; LineVolume its content, m3.
	LineInertance, LineVolume float64
	// LineResistance is the turbulent loss of the pipe, Throttle that of the valve or nozzle at its end,
	// Pa/(m3/s)2, LineLaminar the laminar loss, Pa/(m3/s); all for water.
	LineResistance, Throttle, LineLaminar float64
	// The same for the suction line.
	SuctionCompliance, SuctionInertance, SuctionResistance, SuctionLaminar float64

	// Jitter is the stroke-to-stroke scatter, relative: of trip position, pilot delay, friction and balls.
	Jitter float64
	// BedInFriction is the extra friction of new seals, relative; it fades over BedInStrokes.
	BedInFriction, BedInStrokes float64

	// Step is the integration step, s: a whole fraction of a millisecond. Zero lets New choose it.
	Step float64
}

// displacement is the volume that a diaphragm of full area sweeps from the middle to x, m3: the integral of
// Area (1 - AreaFall (x/HalfTravel)^2).
func (p *Params) displacement(x float64) float64 {
	u := x / p.HalfTravel
	return p.Area * x * (1 - p.AreaFall*u*u/3)
}

// StrokeVolume is the volume that one stroke from stop to stop displaces, m3.
func (p *Params) StrokeVolume() float64 { return 2 * p.displacement(p.HalfTravel) }

// Mode is one natural mode of the model: its name and its angular frequency or inverse time constant, 1/s.
type Mode struct {
	Name string
	Rate float64
}

// Modes estimates the fast modes, from which the step follows.
func (p *Params) Modes() []Mode {
	const (
		pressure = 7e5 // a high working pressure, Pa
		slope    = 24  // of the ISO 6358 curve at air.LinearRatio for b = 0.3, over the mean slope
	)
	dead := min(p.AirDead[Left], p.AirDead[Right])
	c := max(p.Supply[Left].C, p.Supply[Right].C)
	volume := p.StrokeVolume()
	sum := air.AnrDensity * air.GasConstant * air.AnrTemperature
	return []Mode{
		{"liquid through an open check on chamber walls", 1 / math.Sqrt(p.CheckInertance*p.ChamberCompliance)},
		{"shaft on trapped liquid", p.Area * math.Sqrt(2/(p.Mass*p.ChamberCompliance))},
		{"shaft on trapped air", p.Area * math.Sqrt(air.HeatRatio*pressure*(1/dead+1/(dead+volume))/p.Mass)},
		{"air chamber near inlet pressure", slope * c * sum * (1/dead + 1/p.InletVolume)},
		{"suction manifold on a check", 1 / math.Sqrt(p.CheckInertance*p.SuctionCompliance)},
		{"muffler volume", slope * p.Muffler.C * sum / p.MufflerVolume / 4},
		{"spool transit", 1 / p.SpoolTransit},
		{"fastest ball", 1 / min(p.BallOpen[0], p.BallOpen[1], p.BallOpen[2], p.BallOpen[3], p.BallClose[0], p.BallClose[1], p.BallClose[2], p.BallClose[3])},
	}
}

// ChooseStep is the longest whole fraction of a millisecond within which no mode turns by more than 0.45
// (the symplectic Euler method is stable to 2), s.
func (p *Params) ChooseStep() float64 {
	var fastest float64
	for _, m := range p.Modes() {
		fastest = max(fastest, m.Rate)
	}
	return 1e-3 / max(2, math.Ceil(1e-3*fastest/0.45))
}

// Validate tells what makes these parameters no pump.
func (p *Params) Validate() error {
	positive := []struct {
		name string
		v    float64
	}{
		{"Area", p.Area}, {"SideArea left", p.SideArea[Left]}, {"SideArea right", p.SideArea[Right]},
		{"HalfTravel", p.HalfTravel}, {"AirDead left", p.AirDead[Left]}, {"AirDead right", p.AirDead[Right]},
		{"LiquidDead", p.LiquidDead}, {"Mass", p.Mass}, {"SpoolTransit", p.SpoolTransit},
		{"Supply left", p.Supply[Left].C}, {"Supply right", p.Supply[Right].C},
		{"Exhaust left", p.Exhaust[Left].C}, {"Exhaust right", p.Exhaust[Right].C},
		{"Muffler", p.Muffler.C}, {"MufflerVolume", p.MufflerVolume}, {"InletVolume", p.InletVolume},
		{"SupplyLine", p.SupplyLine.C}, {"DroopTime", p.DroopTime}, {"BallLift", p.BallLift},
		{"CheckInertance", p.CheckInertance}, {"ChamberCompliance", p.ChamberCompliance},
		{"DischargeCompliance", p.DischargeCompliance}, {"LineInertance", p.LineInertance},
		{"LineVolume", p.LineVolume}, {"SuctionCompliance", p.SuctionCompliance},
		{"SuctionInertance", p.SuctionInertance},
	}
	for _, f := range positive {
		if !(f.v > 0) || math.IsInf(f.v, 0) {
			return fmt.Errorf("plant: %s is %g; it must be above zero and finite", f.name, f.v)
		}
	}
	for i := range p.CheckArea {
		if !(p.CheckArea[i] > 0 && p.BallOpen[i] > 0 && p.BallClose[i] > 0) {
			return fmt.Errorf("plant: check valve %d needs area, opening and closing time above zero", i)
		}
	}
	if !(p.Step >= 0) || p.Step > 0 && math.Abs(1e-3/p.Step-math.Round(1e-3/p.Step)) > 1e-9*1e-3/p.Step {
		return fmt.Errorf("plant: Step is %g s; it must be a whole fraction of 1 ms", p.Step)
	}
	return nil
}
