package plant

import (
	"math"

	"diastole/model/air"
)

// view is what the latest step saw, for Sample.
type view struct {
	inlet, discharge, suction, exhaust float64 // Pa absolute
	chamber, liquid                    [2]float64
}

// means gathers between samples.
type means struct {
	air, liquid float64 // kg, m3
	since       int64
}

// Step advances by one step of Params.Step seconds.
func (s *Pump) Step() {
	p, c := &s.p, &s.c
	dt := c.dt
	before := p.displacement(s.x)

	// Pressures from what the volumes hold.
	u := s.x / p.HalfTravel
	area := p.Area * (1 - p.AreaFall*u*u)
	var pa, ta, pl, share, rho, part [2]float64
	for i := range 2 {
		d := c.sign[i] * before
		pa[i] = (air.HeatRatio - 1) * s.energy[i] / (p.AirDead[i] - s.wet[i] + p.SideArea[i]*(c.half+d))
		ta[i] = s.energy[i] / (s.mass[i] * air.SpecificHeatV)
		pl[i] = pressure(p.LiquidDead+p.SideArea[i]*(c.half-d)-s.chamber[i].liquid, p.ChamberCompliance, s.chamber[i].gas)
		bubble := s.chamber[i].gas / pl[i]
		share[i] = clamp01(bubble / (bubble + s.chamber[i].liquid))
		part[i] = max(leastDensity, 1-min(1, gasFirst*share[i]))
		rho[i] = c.density * part[i]
	}
	pd := pressure(c.manifoldVolume-s.manifold.liquid, p.DischargeCompliance, s.manifold.gas+c.damper)
	ps := pressure(c.suctionVolume-s.suction, p.SuctionCompliance, c.suctionGas)
	pin := s.inlet * air.GasConstant * s.pr.Ambient / p.InletVolume
	pex := s.muffler * air.GasConstant * s.pr.Ambient / p.MufflerVolume

	s.moveShaft(dt, area, pa, pl)
	s.moveLiquid(dt, pl, share, rho, part, pd, ps)
	s.moveAir(dt, before, pa, ta, pl, pin, pex)

	s.view = view{inlet: pin, discharge: pd, suction: ps, exhaust: pex, chamber: pa, liquid: pl}
	s.steps++
	s.shift(pin-atmosphere, dt)
	s.pilot(pin - atmosphere)
}

// moveShaft: M dv/dt = A ((paL-plL) - (paR-plR)) - spring - drag, then dry friction as an impulse.
func (s *Pump) moveShaft(dt, area float64, pa, pl [2]float64) {
	p := &s.p
	force := area*(p.SideArea[Left]*(pa[Left]-pl[Left])-p.SideArea[Right]*(pa[Right]-pl[Right])) -
		s.x*(p.Spring+p.SpringCubic*s.x*s.x)
	v := (s.v + dt*force/p.Mass) / (1 + dt*p.Drag/p.Mass)
	grip := dt * p.Friction * s.spool.friction / p.Mass
	switch {
	case v > grip:
		v -= grip
	case v < -grip:
		v += grip
	default:
		v = 0
	}
	x := s.x + dt*v
	if x > p.HalfTravel {
		x, v = p.HalfTravel, 0
	} else if x < -p.HalfTravel {
		x, v = -p.HalfTravel, 0
	}
	s.x, s.v = x, v
}

// moveLiquid advances the checks, the lines and what chambers and manifolds hold.
func (s *Pump) moveLiquid(dt float64, pl, share, rho, part [2]float64, pd, ps float64) {
	p, c := &s.p, &s.c
	manifoldBubble := s.manifold.gas / pd
	manifoldShare := clamp01(manifoldBubble / (manifoldBubble + s.manifold.liquid))
	drawnPart := max(leastDensity, 1-c.drawnGas)
	linePart := max(lineDensity, 1-s.lineGas)

	m := &s.manifold
	for i := range 2 {
		k := &s.chamber[i]
		// Suction: what comes in carries its gas, what runs back is liquid unless the chamber is full of gas.
		if q := s.check[SuctionLeft+i].step(ps-pl[i], c.density*drawnPart, drawnPart) * dt; q >= 0 {
			s.suction -= q
			k.liquid += q * (1 - c.drawnGas)
			k.gas += q * c.drawnGas * ps
			s.totals.LiquidIn += q * (1 - c.drawnGas)
		} else {
			s.suction -= q
			liquid, _ := k.take(-q, share[i]*share[i], pl[i])
			s.totals.LiquidIn -= liquid
		}
		// Discharge: gas rises, so it waits under this ball and leaves first.
		if q := s.check[DischargeLeft+i].step(pl[i]-pd, rho[i], part[i]) * dt; q >= 0 {
			liquid, gas := k.take(q, min(1, gasFirst*share[i]), pl[i])
			m.liquid += liquid
			m.gas += gas
		} else {
			liquid, gas := m.take(-q, manifoldShare, pd)
			k.liquid += liquid
			k.gas += gas
		}
	}

	if s.pr.DeadHead {
		s.line = 0
	} else {
		s.line = inertialFlow(s.line, pd-(atmosphere+s.pr.StaticHead*linePart),
			p.LineInertance*s.pr.Density*linePart/dt, (c.linePipe+c.lineThrottle)*linePart, c.laminar*linePart)
	}
	var out float64
	if q := s.line * dt; q >= 0 {
		s.lineGas += (manifoldShare - s.lineGas) * q / (p.LineVolume + q)
		out, _ = m.take(q, manifoldShare, pd)
	} else {
		out = q * (1 - s.lineGas)
		m.liquid -= out
		m.gas -= q * s.lineGas * pd
	}
	s.totals.LiquidOut += out
	s.mean.liquid += out

	s.intake = inertialFlow(s.intake, atmosphere+s.pr.SuctionHead-ps,
		p.SuctionInertance*s.pr.Density*drawnPart/dt, c.suctionResistance*drawnPart, c.suctionLamina*drawnPart)
	s.suction += s.intake * dt
}

// moveAir advances masses and energies of the air.
func (s *Pump) moveAir(dt, before float64, pa, ta, pl [2]float64, pin, pex float64) {
	p, c := &s.p, &s.c
	ambient := s.pr.Ambient

	// Regulator and hose: no flow back.
	source := atmosphere + min(s.pr.Setting-s.droop, s.pr.Header)
	fed := c.supplyLine.MassFlow(source, ambient, pin)
	s.droop += (p.Droop*fed - s.droop) * dt / (p.DroopTime + dt)
	var vented, blown, seal float64
	if c.vent.C > 0 {
		vented = c.vent.Flow(pin, ambient, atmosphere, ambient)
	}
	if c.blowBy.C > 0 {
		blown = c.blowBy.Flow(pin, ambient, pex, ambient)
	}
	if c.seal.C > 0 {
		seal = c.seal.Flow(pa[Left], ta[Left], pa[Right], ta[Right]) * dt
	}
	muffled := s.muffled(pex, ambient)
	s.inlet += (fed - vented - blown) * dt
	s.muffler += (blown - muffled) * dt
	s.totals.AirIn += fed * dt
	s.totals.AirLeaked += vented * dt
	s.totals.AirExhaust += muffled * dt
	s.mean.air += fed * dt

	after := p.displacement(s.x)
	for i := range 2 {
		supply, exhaust := s.ports(i)
		var dm, de float64
		if supply > 0 {
			k := p.Supply[i]
			k.C *= supply
			m := k.Flow(pin, ambient, pa[i], ta[i]) * dt
			dm += m
			de += m * air.SpecificHeatP * upstream(m, ambient, ta[i])
			s.inlet -= m
		}
		if exhaust > 0 {
			k := p.Exhaust[i]
			k.C *= exhaust
			m := k.Flow(pa[i], ta[i], pex, ambient) * dt
			dm -= m
			de -= m * air.SpecificHeatP * upstream(m, ta[i], ambient)
			s.muffler += m
			s.wet[i] -= s.wet[i] * dt / (20*p.SpoolTransit + dt) // blown out with the exhaust
		}
		if c.airLeak[i].C > 0 {
			m := c.airLeak[i].Flow(pa[i], ta[i], atmosphere, ambient) * dt
			dm -= m
			de -= m * air.SpecificHeatP * upstream(m, ta[i], ambient)
			s.totals.AirLeaked += m
		}
		if seal != 0 {
			m := seal * c.sign[i]
			dm -= m
			de -= m * air.SpecificHeatP * upstream(m, ta[i], ta[1-i])
		}
		if c.holeLiquid[i] > 0 {
			m := s.throughHole(i, dt, pa[i], ta[i], pl[i])
			dm -= m
			de -= m * air.SpecificHeatP * ta[i]
		}
		work := pa[i] * p.SideArea[i] * c.sign[i] * (after - before)
		heat := p.HeatConductance * (ambient - ta[i]) * dt
		s.mass[i] += dm
		s.energy[i] += de + heat - work
	}
}

// upstream is the temperature of what flows: t1 for a forward flow, t2 for a backward one, K.
func upstream(m, t1, t2 float64) float64 {
	if m >= 0 {
		return t1
	}
	return t2
}

// ports is how far supply and exhaust of a chamber are open, 0 to 1.
func (s *Pump) ports(i int) (supply, exhaust float64) {
	y := 2*s.spool.position - 1
	if i == Right {
		y = -y
	}
	overlap := s.p.SpoolOverlap
	if y > 0 {
		return clamp01((y - overlap) / (1 - overlap)), 0
	}
	return 0, clamp01((-y - overlap) / (1 - overlap))
}

// muffled is the flow through the muffler and its ice, kg/s. The ice grows while air flows.
func (s *Pump) muffled(pex, ambient float64) float64 {
	if s.pr.Icing > 0 || s.ice > 0 {
		if s.idle() {
			s.ice -= s.ice * s.c.dt / thawTime
		} else {
			s.ice += (s.pr.Icing - s.ice) * s.c.dt / iceTime
		}
	}
	k := s.p.Muffler
	k.C *= (1 - clamp(s.pr.ExhaustBlock, 0, 1)) * (1 - clamp(s.ice, 0, 0.98))
	return k.Flow(pex, ambient, atmosphere, ambient)
}

// idle tells that no stroke has ended for several stroke times.
func (s *Pump) idle() bool {
	t := &s.strokes
	return t.mean == 0 || float64(s.steps)*s.c.dt-t.began[0] > 4*t.mean
}

// throughHole lets air into the liquid or liquid into the air through a torn diaphragm and returns the air
// mass that went, kg. Neither may pass the point of equal pressures within a step.
func (s *Pump) throughHole(i int, dt, pa, ta, pl float64) float64 {
	c := &s.c
	give := 0.3 * (s.p.ChamberCompliance + s.chamber[i].gas/(pl*pl)) // m3/Pa
	if pa > pl {
		m := c.hole[i].MassFlow(pa, ta, pl) * dt
		most := give * (pa - pl) * pl / (air.GasConstant * s.pr.Ambient)
		m = min(m, most)
		s.chamber[i].gas += m * air.GasConstant * s.pr.Ambient
		s.totals.AirToLiquid += m
		return m
	}
	q := c.holeLiquid[i] * math.Sqrt(2*(pl-pa)/c.density) * dt
	q = min(q, give*(pl-pa), 0.5*s.p.AirDead[i]-s.wet[i])
	q = max(0, min(q, 0.1*s.chamber[i].liquid))
	s.chamber[i].liquid -= q
	s.wet[i] += q
	s.totals.LiquidToAir += q
	return 0
}
