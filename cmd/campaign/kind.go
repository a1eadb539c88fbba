package main

import (
	"math"
	"math/rand/v2"
	"strings"

	"diastole/model/plant"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

// kind is one way in which a pump may fare. What it does to the pump is drawn anew for each case.
type kind struct {
	name string
	// fault or cause is the truth; where both are empty there is nothing to tell.
	fault pump.Fault
	cause pump.Cause
	// course is how it comes.
	course course
	// meter is whether there is an air flow meter.
	meter meter
	// damper gives every pump a pulsation damper.
	damper bool
	// apply brings it to a size. The draws are the same at each size of a case.
	apply func(s *setup, size float64, rng *rand.Rand)
}

// meter says which pumps of a kind have an air flow meter.
type meter int

const (
	some meter = iota // a third
	always
	never
)

// setup is a pump as it stands, with what is wrong with it.
type setup struct {
	params   plant.Params
	process  plant.Process
	faults   plant.Faults
	troubles map[string]sensor.Trouble
}

// kinds are what is simulated. The sizes of faults are those of plant.Fault; the rest is common practice.
var kinds = []kind{
	{name: "healthy"},
	{name: "leak, one stroke", fault: pump.CheckValveLeak, course: grows, apply: leak},
	{name: "leak, both strokes", fault: pump.CheckValveLeak, course: grows, apply: evenLeak},
	{name: "leak, all seats", fault: pump.CheckValveLeak, course: grows, apply: allSeats},
	{name: "debris that stays", fault: pump.CheckValveLeak, course: steps, apply: debris},
	{name: "debris that passes", course: passes, apply: debris},
	{name: "rupture", fault: pump.DiaphragmRupture, course: steps, apply: rupture},
	{name: "sticking", fault: pump.AirValveSticking, course: grows, apply: sticking},
	{name: "air leak, metered", fault: pump.AirValveLeak, course: grows, meter: always, apply: airLeak},
	{name: "air leak, not metered", fault: pump.AirValveLeak, course: grows, meter: never, apply: airLeak},
	{name: "pilot, one side", fault: pump.PilotValveSlow, course: grows, apply: pilotOne},
	{name: "pilot, both sides", fault: pump.PilotValveSlow, course: grows, apply: pilotBoth},

	{name: "suction strainer", cause: pump.SuctionRestricted, course: either, apply: strainer},
	{name: "suction air", cause: pump.SuctionAir, course: either, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.SuctionAir = uniform(rng, 0.1, 0.25) * size
	}},
	{name: "exhaust", cause: pump.ExhaustRestricted, course: either, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.ExhaustBlock = 1 - 1/(1+uniform(rng, 1, 3)*size)
	}},
	{name: "supply", cause: pump.SupplyRestricted, course: either, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.SupplyBlock = 1 - 1/(1+uniform(rng, 0.7, 2)*size)
	}},
	{name: "thicker liquid", cause: pump.LiquidChanged, course: either, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.Viscosity *= math.Exp(uniform(rng, 1, 3) * size)
	}},
	{name: "thinner liquid", cause: pump.LiquidChanged, course: either, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.Viscosity *= math.Exp(-uniform(rng, 0.5, 1) * size)
	}},
	{name: "damper", cause: pump.DamperLost, course: either, damper: true, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.Damper = 1 - uniform(rng, 0.7, 0.95)*min(1, size)
	}},
	{name: "static head", course: either, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.StaticHead += size * s.process.Setting * sign(rng) * uniform(rng, 0.1, 0.2)
	}},
	{name: "set-point", course: either, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.Setting *= 1 + size*sign(rng)*uniform(rng, 0.1, 0.2)
	}},
	{name: "throttle", course: either, apply: func(s *setup, size float64, rng *rand.Rand) {
		s.process.ThrottleFactor *= math.Exp(size * sign(rng) * uniform(rng, 0.5, 1))
	}},
	{name: "inlet transmitter", cause: pump.SensorFault, course: grows, apply: drift("air_inlet_pressure")},
	{name: "discharge transmitter", cause: pump.SensorFault, course: grows, apply: drift("discharge_pressure")},
}

func kindNames() string {
	var names []string
	for _, k := range kinds {
		names = append(names, k.name)
	}
	return strings.Join(names, "; ")
}

// kit is the kit that mends a kind, empty for none.
func (k *kind) kit() pump.Kit {
	if k.fault == "" {
		return ""
	}
	return kitOf(k.fault)
}

// physical is plant.Fault for what is known to be right.
func physical(f pump.Fault, side pump.Side, size float64, p plant.Params) plant.Faults {
	out, err := plant.Fault(f, side, size, p)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	return out
}

func drawSide(rng *rand.Rand) pump.Side {
	if rng.IntN(2) == 0 {
		return pump.SideA
	}
	return pump.SideB
}

// leak is in the stroke of one side: at the suction check of its chamber, at the discharge check of the other one, or at both.
func leak(s *setup, size float64, rng *rand.Rand) {
	s.faults = physical(pump.CheckValveLeak, drawSide(rng), size, s.params)
	l := &s.faults.CheckLeak
	share := min(1, max(0, uniform(rng, -0.5, 1.5)))
	l[plant.SuctionLeft], l[plant.DischargeRight] = share*l[plant.SuctionLeft], (1-share)*l[plant.SuctionLeft]
	l[plant.SuctionRight], l[plant.DischargeLeft] = share*l[plant.SuctionRight], (1-share)*l[plant.SuctionRight]
}

// evenLeak is at both suction checks, or at both discharge checks, about equally.
func evenLeak(s *setup, size float64, rng *rand.Rand) {
	s.faults = physical(pump.CheckValveLeak, pump.SideBoth, size, s.params)
	l := &s.faults.CheckLeak
	if rng.IntN(2) == 0 {
		l[plant.DischargeLeft], l[plant.DischargeRight] = l[plant.SuctionLeft], l[plant.SuctionRight]
		l[plant.SuctionLeft], l[plant.SuctionRight] = 0, 0
	}
	unequal(l, rng)
}

// allSeats wear together, each half of what one would have alone.
func allSeats(s *setup, size float64, rng *rand.Rand) {
	s.faults = physical(pump.CheckValveLeak, pump.SideBoth, size/2, s.params)
	l := &s.faults.CheckLeak
	l[plant.DischargeLeft], l[plant.DischargeRight] = l[plant.SuctionLeft], l[plant.SuctionRight]
	unequal(l, rng)
}

// unequal makes seats wear a little differently.
func unequal(l *[4]float64, rng *rand.Rand) {
	for i := range l {
		l[i] *= math.Exp(0.1 * rng.NormFloat64())
	}
}

// debris keeps one ball off its seat.
func debris(s *setup, size float64, rng *rand.Rand) {
	s.faults.BallHeld[rng.IntN(4)] = min(0.6, uniform(rng, 0.15, 0.4)*size)
}

// rupture is of one diaphragm.
func rupture(s *setup, size float64, rng *rand.Rand) {
	s.faults = physical(pump.DiaphragmRupture, drawSide(rng), size, s.params)
}

// sticking is a spool that is slow, or one that hangs now and then, or both.
func sticking(s *setup, size float64, rng *rand.Rand) {
	s.faults = physical(pump.AirValveSticking, pump.SideUnknown, size, s.params)
	slow := uniform(rng, 0, 1)
	s.faults.SpoolSlow = 1 + slow*(s.faults.SpoolSlow-1)
	s.faults.SpoolHesitation = min(1, s.faults.SpoolHesitation*math.Exp(uniform(rng, -0.7, 0.7)))
	s.faults.HesitationTime *= math.Exp(uniform(rng, -0.7, 0.7))
}

// airLeak is past the spool, past the shaft seal, or both.
func airLeak(s *setup, size float64, rng *rand.Rand) {
	s.faults = physical(pump.AirValveLeak, pump.SideUnknown, size, s.params)
	share := min(1, max(0, uniform(rng, -0.5, 1.5)))
	s.faults.ShaftSeal, s.faults.SpoolBlowBy = (1-share)*s.faults.SpoolBlowBy, share*s.faults.SpoolBlowBy
}

func pilotOne(s *setup, size float64, rng *rand.Rand) {
	s.faults = physical(pump.PilotValveSlow, drawSide(rng), size, s.params)
}

func pilotBoth(s *setup, size float64, _ *rand.Rand) {
	s.faults = physical(pump.PilotValveSlow, pump.SideBoth, size, s.params)
}

// strainer clogs: the pressure lost in it grows up to some dozen times.
func strainer(s *setup, size float64, rng *rand.Rand) {
	s.process.SuctionBlock = 1 - 1/(1+uniform(rng, 2, 5)*size)
}

// drift is a transmitter that goes off by 2 % of its span of 10 bar.
func drift(channel string) func(s *setup, size float64, rng *rand.Rand) {
	return func(s *setup, size float64, rng *rand.Rand) {
		s.troubles = map[string]sensor.Trouble{channel: {Offset: 0.02 * 10e5 * min(1, size) * sign(rng)}}
	}
}

func uniform(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }

func sign(rng *rand.Rand) float64 {
	if rng.IntN(2) == 0 {
		return -1
	}
	return 1
}
