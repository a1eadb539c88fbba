package plant

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// Mistake is something that goes wrong when a pump is put together.
type Mistake string

// The mistakes that are simulated.
const (
	// SeatSealMissing leaves out or pinches the o-ring of one seat, or puts the seat in upside down: it leaks from the first stroke.
	SeatSealMissing Mistake = "seat-seal-missing"
	// BallWrong puts in a ball of the wrong size or leaves dirt under it: it does not close.
	BallWrong Mistake = "ball-wrong"
	// DiaphragmReversed turns a diaphragm or its plate round: its stroke is shorter and stiffer.
	DiaphragmReversed Mistake = "diaphragm-reversed"
	// ChamberMisaligned clamps a chamber crooked: air escapes outside, some liquid weeps, some air is drawn in.
	ChamberMisaligned Mistake = "chamber-misaligned"
	// GasketWrong lets air past the spool at the gasket of the air valve, or covers one of its ports in part.
	GasketWrong Mistake = "gasket-wrong"
	// PilotNotSeated lets a pilot trip late.
	PilotNotSeated Mistake = "pilot-not-seated"
)

// Mistakes lists them all.
func Mistakes() []Mistake {
	return []Mistake{SeatSealMissing, BallWrong, DiaphragmReversed, ChamberMisaligned, GasketWrong, PilotNotSeated}
}

// Assembly is the pump with a mistake on the left side (Left) or the right one, drawn from what such a mistake may come to. How big
// mistakes are is common practice and has no source: a missing seal leaks between half of and twice what calls for a rebuild
// (see Fault), a ball is held off its seat by a tenth to four tenths of its lift, a reversed diaphragm ends its stroke 12 to 30 %
// of half the travel early, escaping air is a fifth of what the pump uses or more, and a port loses half or more of its passage.
func (p Params) Assembly(m Mistake, side int, rng *rand.Rand) (Params, Faults, error) {
	if !slices.Contains(Mistakes(), m) {
		return p, Faults{}, fmt.Errorf("plant: mistake %q is not known; allowed are %v", m, Mistakes())
	}
	if side != Left && side != Right {
		return p, Faults{}, fmt.Errorf("plant: side %d is not known; allowed are %d and %d", side, Left, Right)
	}
	between := func(lo, hi float64) float64 { return math.Exp(math.Log(lo) + rng.Float64()*math.Log(hi/lo)) }
	var f Faults
	stroke := p.referenceStroke()
	leak := 0.55 * p.StrokeVolume() / stroke / math.Sqrt(2*3.5e5/waterDensity) // of size 1, see Fault
	// What one reference stroke uses of air, as a sonic conductance at 6 bar absolute.
	use := 1.25 * p.StrokeVolume() / stroke / anrPascals
	valve := []int{SuctionLeft + side, DischargeLeft + (1 - side)}[rng.IntN(2)] // both act in the stroke of side
	switch m {
	case SeatSealMissing:
		f.CheckLeak[valve] = leak * between(0.5, 2)
	case BallWrong:
		f.BallHeld[valve] = between(0.1, 0.4)
	case DiaphragmReversed:
		f.PilotEarly[side] = between(0.12, 0.3)
		p.Spring *= between(1, 1.5)
		p.SpringCubic *= between(1, 2)
		p.SideArea[side] *= 1 - 0.04*rng.Float64()
	case ChamberMisaligned:
		f.AirLeak[side] = use * between(0.2, 0.8)
		f.CheckLeak[SuctionLeft+side] = leak * between(0.05, 0.4)
	case GasketWrong:
		switch rng.IntN(3) {
		case 0:
			f.SpoolBlowBy = use * between(0.3, 1.5)
		case 1:
			p.Exhaust[side].C *= between(0.25, 0.5)
		default:
			p.Supply[side].C *= between(0.25, 0.5)
		}
	case PilotNotSeated:
		f.PilotDelay[side] = stroke * between(0.12, 0.5)
	}
	p.Step = min(p.Step, p.ChooseStep())
	return p, f, nil
}

// anrPascals is the pressure of the reference atmosphere that a sonic conductance is stated for, Pa (ISO 8778).
const anrPascals = 1e5

// Refitted is the pump after a rebuild without a mistake: what was renewed differs a little from what was there before (common
// practice): balls, seats and seals by the tolerance of such parts, diaphragms in stiffness and area, joints as they were
// tightened. What a rebuild does not touch stays.
func (p Params) Refitted(rng *rand.Rand) Params {
	by := func(v *float64, sd float64) { *v *= math.Exp(sd * clamp(rng.NormFloat64(), -2.5, 2.5)) }
	by(&p.Friction, 0.1)
	by(&p.Drag, 0.1)
	by(&p.Spring, 0.1)
	by(&p.SpringCubic, 0.1)
	by(&p.SpoolTransit, 0.04)
	by(&p.BedInFriction, 0.3)
	for i := range 2 {
		by(&p.SideArea[i], 0.003)
		by(&p.PilotDelay[i], 0.04)
		p.Trip[i] = clamp(p.Trip[i]+0.004*clamp(rng.NormFloat64(), -2.5, 2.5), 0.5, 0.98)
	}
	for i := range 4 {
		by(&p.CheckArea[i], 0.02)
		by(&p.BallOpen[i], 0.06)
		by(&p.BallClose[i], 0.06)
	}
	p.Step = min(p.Step, p.ChooseStep())
	return p
}
