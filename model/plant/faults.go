package plant

import (
	"fmt"
	"math"

	"diastole/model/air"
	"diastole/model/pump"
)

// Faults is what is wrong with the pump, as physical sizes. The zero value is a sound pump.
type Faults struct {
	// CheckLeak is the discharge coefficient times the leak area of each shut check valve, m2.
	CheckLeak [4]float64
	// BallHeld keeps a ball off its seat by this part of its lift: debris.
	BallHeld [4]float64
	// BallStuck keeps a ball on its seat.
	BallStuck [4]bool
	// DiaphragmHole is the area of a hole in each diaphragm, m2.
	DiaphragmHole [2]float64
	// SpoolHesitation is the chance per stroke that the spool hangs before it moves; HesitationTime is
	// how long it then hangs on average, s (exponentially distributed).
	SpoolHesitation, HesitationTime float64
	// SpoolSlow multiplies the spool's transit time; 0 and 1 leave it.
	SpoolSlow float64
	// SpoolCentred lets the spool stop in the middle of its next move: the pump stands.
	SpoolCentred bool
	// PilotDelay is added to each pilot's delay, s.
	PilotDelay [2]float64
	// PilotEarly is the part of half the travel by which each pilot trips too soon: bent pin, swollen
	// plate.
	PilotEarly [2]float64
	// SpoolBlowBy leaks from inlet to exhaust past the spool; ShaftSeal from one air chamber to the
	// other; AirLeak from each air chamber to the atmosphere; sonic conductances, m3/(s Pa).
	SpoolBlowBy, ShaftSeal float64
	AirLeak                [2]float64
}

// holeDischarge is the discharge coefficient of a torn hole, as of a sharp edge (0.61, US DOE compressed
// air tip sheet 3).
const holeDischarge = 0.61

// leakBratio is the critical ratio of leak paths: long gaps choke early (common practice).
const leakBratio = 0.3

// Fault turns one fault of a ticket into physical sizes for this pump. Size 1 is the size that calls for a
// rebuild, by this reasoning (common practice, no source):
//
//   - check valve leak: at reference duty the leak returns 55 % of what the disturbed stroke displaces,
//     through the suction check of its own side. With both sides, both suction checks leak so.
//   - diaphragm rupture: a hole of 1/3000 of the diaphragm's area, such as 2.4 mm across in 130 mm.
//   - air valve sticking: the spool takes four times as long, and hangs in one stroke of five, for 60 % of a
//     reference stroke on average.
//   - air valve leak: past the spool, as much air as 40 % of what the pump uses at reference duty.
//   - pilot valve slow: 35 % of a reference stroke later.
//
// Side tells which stroke is disturbed; side unknown means A for the faults that have a side. Size scales
// areas, delays and chances in proportion; it may exceed 1.
func Fault(f pump.Fault, side pump.Side, size float64, p Params) (Faults, error) {
	if !(size >= 0) || math.IsInf(size, 0) {
		return Faults{}, fmt.Errorf("plant: fault size is %g; it must be zero or more", size)
	}
	var left, right bool
	switch side {
	case pump.SideA, pump.SideUnknown:
		left = true
	case pump.SideB:
		right = true
	case pump.SideBoth:
		left, right = true, true
	default:
		return Faults{}, fmt.Errorf("plant: side %q is not known; allowed are a, b, both, unknown", side)
	}
	on := [2]bool{left, right}
	stroke := p.referenceStroke()
	var out Faults
	switch f {
	case pump.CheckValveLeak:
		// q t = share V with q = area sqrt(2 dp/rho) at 3.5 bar over the check.
		area := 0.55 * p.StrokeVolume() / stroke / math.Sqrt(2*3.5e5/waterDensity)
		for i, yes := range on {
			if yes {
				out.CheckLeak[SuctionLeft+i] = area * size
			}
		}
	case pump.DiaphragmRupture:
		for i, yes := range on {
			if yes {
				out.DiaphragmHole[i] = p.Area / 3000 * size
			}
		}
	case pump.AirValveSticking:
		out.SpoolSlow = 1 + 3*size
		out.SpoolHesitation = min(1, 0.2*size)
		out.HesitationTime = 0.6 * stroke
	case pump.AirValveLeak:
		perStroke := 1.25 * p.StrokeVolume() * 6e5 / (air.GasConstant * air.AnrTemperature)
		out.SpoolBlowBy = 0.4 * size * perStroke / stroke / (air.AnrDensity * 6e5)
	case pump.PilotValveSlow:
		for i, yes := range on {
			if yes {
				out.PilotDelay[i] = 0.35 * stroke * size
			}
		}
	default:
		return Faults{}, fmt.Errorf("plant: fault %q is not known; allowed are %v", f, pump.Faults())
	}
	return out, nil
}

// referenceStroke is about how long a stroke takes at reference duty, s: the time in which the main valve's
// conductance, two thirds choked, passes the air of one stroke, with the dead times. For the generic
// one-inch pump it is 0.3 s.
func (p *Params) referenceStroke() float64 {
	c := (p.Supply[Left].C + p.Supply[Right].C) / 2
	return 4.2*p.StrokeVolume()/(c*air.AnrPressure) + p.PilotDelay[Left]/2 + p.PilotDelay[Right]/2 + p.SpoolTransit
}

// Plus is both sets of faults together: areas, leaks, chances and delays add, the slower spool and the
// higher lift count.
func (f Faults) Plus(g Faults) Faults {
	for i := range f.CheckLeak {
		f.CheckLeak[i] += g.CheckLeak[i]
		f.BallHeld[i] = max(f.BallHeld[i], g.BallHeld[i])
		f.BallStuck[i] = f.BallStuck[i] || g.BallStuck[i]
	}
	for i := range f.DiaphragmHole {
		f.DiaphragmHole[i] += g.DiaphragmHole[i]
		f.PilotDelay[i] += g.PilotDelay[i]
		f.PilotEarly[i] += g.PilotEarly[i]
		f.AirLeak[i] += g.AirLeak[i]
	}
	f.SpoolHesitation = min(1, f.SpoolHesitation+g.SpoolHesitation)
	f.HesitationTime = max(f.HesitationTime, g.HesitationTime)
	f.SpoolSlow = max(f.SpoolSlow, g.SpoolSlow)
	f.SpoolCentred = f.SpoolCentred || g.SpoolCentred
	f.SpoolBlowBy += g.SpoolBlowBy
	f.ShaftSeal += g.ShaftSeal
	return f
}
