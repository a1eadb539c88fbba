package main

import (
	"fmt"
	"math"
	"math/rand/v2"

	"diastole/model/plant"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

// station is one pump where it works.
type station struct {
	model   pump.Model
	params  plant.Params
	process plant.Process
	used    float64 // strokes that the seals have run
	header  plant.Header
	// unregulated pumps get the header as it is; the others feel a part of its swing through the regulator.
	unregulated bool
	meter       bool
	instruments []sensor.Instrument
	link        sensor.Link
	flow        float64 // of air, m3/s at ANR
}

// drawStation draws a pump until it runs at an ordinary duty.
func drawStation(k *kind, rng *rand.Rand) (station, error) {
	for range 50 {
		s := roughStation(k, rng)
		at := plant.Measure(s.params, plant.Faults{}, s.process, rng.Uint64(), 6)
		if at.Rate > 0.8 && at.Discharge < 0.9*at.Inlet && at.Discharge > 0.15*at.Inlet {
			s.flow = at.AirFlow
			s.equip(rng)
			return s, nil
		}
	}
	return station{}, fmt.Errorf("%s: no pump in fifty runs as it should", k.name)
}

func roughStation(k *kind, rng *rand.Rand) station {
	names := pump.GenericNames()
	name := names[rng.IntN(len(names))]
	m, err := pump.Generic(name)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	p, err := plant.Generic(name)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	p = otherMake(p.Scatter(rng, 1), rng)
	if k.damper || rng.Float64() < 0.25 {
		p.DamperGas = math.Exp(uniform(rng, math.Log(5), math.Log(60))) * p.StrokeVolume() * 1e5
	}
	s := station{model: m, params: p, process: p.Reference(), used: 1e9}
	if rng.Float64() < 0.25 {
		s.used = 2 * p.BedInStrokes * rng.Float64()
	}
	s.unregulated = rng.Float64() < 0.3
	pr := &s.process
	pr.Setting = uniform(rng, 3.5e5, 6.3e5)
	pr.Header = 7e5
	if s.unregulated {
		pr.Header = pr.Setting
	}
	s.header = plant.Header{
		Nominal: pr.Header, Swing: 0.1e5, SwingTime: 4 * 3600,
		Dips: 20, DipDepth: uniform(rng, 0.1e5, 0.4e5), DipTime: uniform(rng, 2, 15),
	}
	pr.StaticHead = uniform(rng, 0.08, 0.5) * pr.Setting
	pr.ThrottleFactor = math.Exp(uniform(rng, -1, 1.5))
	pr.SuctionHead = uniform(rng, -0.3e5, 0.2e5)
	pr.Viscosity = math.Exp(uniform(rng, 0, 1))
	switch k.meter {
	case always:
		s.meter = true
	case some:
		s.meter = rng.Float64() < 1.0/3
	}
	return s
}

// otherMake is a pump of the same size by a maker whose pumps nobody simulated for the signatures: every conductance is
// up to 20 % off, balls, friction and dead times are others, and so is the piping.
func otherMake(p plant.Params, rng *rand.Rand) plant.Params {
	off := func() float64 { return uniform(rng, 0.8, 1.2) }
	times := func(octaves float64) float64 { return math.Exp2(uniform(rng, -octaves, octaves)) }
	supply, exhaust, checks := off(), off(), off()
	opening, closing := times(1), times(1)
	pilot := times(0.7)
	for i := range 2 {
		p.Supply[i].C *= supply
		p.Exhaust[i].C *= exhaust
		p.PilotDelay[i] *= pilot
	}
	for i := range 4 {
		p.CheckArea[i] *= checks
		p.BallOpen[i] *= opening
		p.BallClose[i] *= closing
	}
	p.Muffler.C *= off()
	p.SupplyLine.C *= off()
	p.BallLift *= times(1)
	p.CheckInertance *= times(0.5)

	// Another law of friction: what is dry in one make is viscous in another. Healthy pumps stall within some tenths of a bar
	// of the air pressure (common practice), which bounds the dry part.
	dry := rng.Float64()
	p.Friction *= 0.3 + dry
	p.Drag *= 0.3 + 2.7*(1-dry)
	p.Spring *= times(0.5)
	p.SpringCubic *= times(0.5)

	stretch := off()
	p.Area *= stretch
	p.LiquidDead *= times(0.5)
	dead := off()
	p.AirDead[plant.Left] *= dead
	p.AirDead[plant.Right] *= dead
	p.SpoolTransit *= times(0.7)
	p.SpoolOverlap *= times(0.5)
	p.HeatConductance *= times(1)
	p.InletVolume *= times(1)
	p.Droop *= times(1)
	p.DroopTime *= times(1)
	p.Jitter *= times(0.7)
	p.GasFraction *= times(1)
	p.ChamberCompliance *= times(1)

	p.DischargeCompliance *= times(2)
	p.LineInertance *= times(1)
	p.LineVolume *= times(1)
	p.LineResistance *= times(1)
	p.LineLaminar *= times(1)
	p.SuctionCompliance *= times(1)
	p.SuctionInertance *= times(1)
	p.SuctionResistance *= times(1)
	p.SuctionLaminar *= times(1)
	p.Step = coarse(&p)
	return p
}

// coarse is about twice the step that a pump chooses for itself: a campaign is long, and rates, dips and ripple change by less
// than a percent.
func coarse(p *plant.Params) float64 {
	return 1e-3 / max(2, math.Ceil(1e-3/p.ChooseStep()/2))
}

// equip puts ordinary instruments of different quality at the pump.
func (s *station) equip(rng *rand.Rand) {
	pressure := func(channel string) sensor.Instrument {
		i := sensor.Pressure(channel, 100)
		i.Noise = 5e5 * math.Exp(uniform(rng, math.Log(5e-4), math.Log(5e-3)))
		i.Resolution = 10e5 / float64(int(1)<<(11+rng.IntN(4)))
		i.Cutoff = uniform(rng, 12, 45)
		i.Offset = 0.0025 * 10e5 * rng.NormFloat64()
		return i
	}
	s.instruments = []sensor.Instrument{pressure("air_inlet_pressure"), pressure("discharge_pressure"), sensor.Counter()}
	if s.meter {
		m := sensor.AirMeter(s.flow)
		m.Cutoff = uniform(rng, 1, 4)
		s.instruments = append(s.instruments, m)
	}
	s.link = sensor.Link{
		Delay: milliseconds(uniform(rng, 5, 800)), Spread: milliseconds(uniform(rng, 5, 150)),
		Lost: 0.004, Doubled: 0.003, Lateness: milliseconds(1500),
	}
}
