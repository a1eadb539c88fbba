package plant

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"diastole/model/pump"
)

// disturbance is one fault or one process cause at a size, and what it is known to do at equal mean pressures: to rate,
// |asymmetry|, air per stroke, dip depth, dip width and ripple. Marks: + up, - down, = about the same, ? not known or of
// either sign. The directions are those of service practice and of an independent lumped model; where this model
// differs, note says why.
type disturbance struct {
	name string
	want string // six marks
	set  func(p Params, f *Faults, pr *Process, z float64)
	note string
}

// ticketed is a fault of a ticket.
func ticketed(f pump.Fault, side pump.Side) func(Params, *Faults, *Process, float64) {
	return func(p Params, out *Faults, _ *Process, z float64) {
		g, err := Fault(f, side, z, p)
		if err != nil {
			panic(err)
		}
		*out = g
	}
}

var disturbances = []disturbance{
	{"suction check leak, one side", "++==?=", ticketed(pump.CheckValveLeak, pump.SideA), ""},
	{"discharge check leak, one side", "++==?=", func(p Params, f *Faults, _ *Process, z float64) {
		ticketed(pump.CheckValveLeak, pump.SideB)(p, f, nil, z)
		f.CheckLeak[DischargeLeft], f.CheckLeak[SuctionRight] = f.CheckLeak[SuctionRight], 0
	}, ""},
	{"check leak, both sides", "+===??", ticketed(pump.CheckValveLeak, pump.SideBoth), "practice has more of order 2, read at an unchanged valve: there the mean falls"},
	{"ball held open by debris", "++=???", func(_ Params, f *Faults, _ *Process, z float64) { f.BallHeld[SuctionLeft] = 0.25 * z }, ""},
	{"pinhole in a diaphragm", "=====?", func(p Params, f *Faults, _ *Process, z float64) { f.DiaphragmHole[Left] = 0.05 * p.Area / 3000 * z }, "the gas that it lets through softens the chamber: hardly seen, as practice has it, but in the ripple"},
	{"diaphragm tear", "?++??-", ticketed(pump.DiaphragmRupture, pump.SideA), "air takes the place of liquid; a real tear may drag instead"},
	{"spool slow", "-==-?+", func(_ Params, f *Faults, _ *Process, z float64) { f.SpoolSlow = 1 + 3*z }, ""},
	{"spool hesitates at random", "-?==?+", func(p Params, f *Faults, _ *Process, z float64) {
		ticketed(pump.AirValveSticking, pump.SideBoth)(p, f, nil, z)
		f.SpoolSlow = 1
	}, "read at an unchanged regulator and line"},
	{"spool blow-by", "==+??=", ticketed(pump.AirValveLeak, pump.SideBoth), ""},
	{"pilot late, one side", "-+==?+", ticketed(pump.PilotValveSlow, pump.SideA), ""},
	{"pilot late, both sides", "-===?+", ticketed(pump.PilotValveSlow, pump.SideBoth), ""},
	{"pilot early, both sides", "+=-??-", func(_ Params, f *Faults, _ *Process, z float64) { f.PilotEarly = [2]float64{0.3 * z, 0.3 * z} }, ""},
	{"pilot early, one side", "++-??-", func(_ Params, f *Faults, _ *Process, z float64) { f.PilotEarly[Left] = 0.3 * z }, ""},
	{"shaft seal, side to side", "-=+-??", func(p Params, f *Faults, _ *Process, z float64) { f.ShaftSeal = 0.1 * p.Supply[Left].C * z }, "practice: ripple lower"},
	{"air leak to the atmosphere, one side", "==+??=", func(p Params, f *Faults, _ *Process, z float64) { f.AirLeak[Left] = 0.06 * p.Supply[Left].C * z }, ""},
	{"muffler blocked or iced", "-====?", func(_ Params, _ *Faults, q *Process, z float64) { q.ExhaustBlock = 0.5 + 0.3*z }, ""},
	{"air supply restricted", "===++?", func(_ Params, _ *Faults, q *Process, z float64) { q.SupplyBlock = 0.6 * z }, "slower in practice, where the inlet pressure falls with it; here it is held"},
	{"header low", "======", func(_ Params, _ *Faults, q *Process, z float64) { q.Header = 7e5 - 1e5*z }, ""},
	{"set-point changed", "======", func(_ Params, _ *Faults, q *Process, z float64) { q.Setting += 1e5 * z }, ""},
	{"suction restricted", "-===??", func(_ Params, _ *Faults, q *Process, z float64) { q.SuctionBlock = 0.4 + 0.3*z }, "practice hears a hammer at the begin of a stroke; lumped lines show the slower strokes only"},
	{"suction lift", "-===??", func(_ Params, _ *Faults, q *Process, z float64) { q.SuctionHead = -0.4e5 * z }, ""},
	{"air in the suction", "+===?-", func(_ Params, _ *Faults, q *Process, z float64) { q.SuctionAir = 0.1 * z }, ""},
	{"static head", "======", func(_ Params, _ *Faults, q *Process, z float64) { q.StaticHead += 1e5 * z }, ""},
	{"discharge throttled", "====?-", func(_ Params, _ *Faults, q *Process, z float64) { q.ThrottleFactor = 1 + 3*z }, ""},
	{"liquid thicker", "-===?-", func(_ Params, _ *Faults, q *Process, z float64) { q.Viscosity = 1 + 4*z }, ""},
	{"liquid heavier", "?===??", func(_ Params, _ *Faults, q *Process, z float64) { q.Density = 1 + 0.5*z }, ""},
}

// TestDirections holds each disturbance at a quarter and at full size of the one-inch pump at reference duty, at the sound
// pump's mean pressures, and writes what moved. A direction counts from 1.5 % in rate, 3 in asymmetry (percent of the
// half stroke), 2 in air, dip, ripple and 10 in width at full size; "=" from 5, 3, 1.5, 10, 10 and 6 % down. At a
// quarter of the size a part of that counts, since some early signs grow with the square.
func TestDirections(t *testing.T) {
	t.Parallel()
	p := smooth(t, oneInch)
	pr := p.Reference()
	sound := Measure(p, Faults{}, pr, 1, 6)
	var b strings.Builder
	b.WriteString("# What moves at equal mean pressures\n\nMade by `go test ./model/plant -run TestDirections -update`; checked by the same test.\n\n" +
		"Changes in percent of the sound one-inch pump (asymmetry: percent points), behind the direction that is expected: + up, - down, = the same, ? open.\n\n" +
		"| disturbance | size | rate | asymmetry | air per stroke | dip | dip width | ripple | remark |\n|---|---|---|---|---|---|---|---|---|\n")
	for _, d := range disturbances {
		for _, size := range []float64{0.25, 1} {
			f, q := Faults{}, pr
			d.set(p, &f, &q, size)
			o := d.measure(t, p, f, q, sound)
			fmt.Fprintf(&b, "| %s | %g |", d.name, size)
			for i, m := range []struct {
				name        string
				v           float64
				least, same float64 // at full size
			}{
				{"rate", o.Rate/sound.Rate - 1, 0.015, 0.05},
				{"asymmetry", math.Abs(o.Asymmetry), 0.03, 0.03},
				{"air per stroke", o.AirPerStroke/sound.AirPerStroke - 1, 0.02, 0.015},
				{"dip", o.Dip/sound.Dip - 1, 0.02, 0.1},
				{"dip width", o.DipWidth/sound.DipWidth - 1, 0.1, 0.1},
				{"ripple", o.Ripple/sound.Ripple - 1, 0.02, 0.06},
			} {
				mark := d.want[i]
				if !agrees(mark, m.v, m.least, m.same, size) {
					t.Errorf("%s, size %g: %s moves by %+.2f %%, expected %q", d.name, size, m.name, 100*m.v, mark)
				}
				fmt.Fprintf(&b, " %c %.1f |", mark, 100*m.v)
			}
			fmt.Fprintf(&b, " %s |\n", d.note)
		}
	}
	golden(t, "testdata/directions.md", b.String())
}

// measure is the disturbed pump at the sound one's pressures. What comes at random settles nowhere: it is read at the
// regulator and line as they are, over many strokes.
func (d *disturbance) measure(t *testing.T, p Params, f Faults, pr Process, sound Point) Point {
	t.Helper()
	if f.SpoolHesitation > 0 {
		return Measure(p, f, pr, 1, 300)
	}
	o, _, err := At(p, f, pr, sound.Inlet, sound.Discharge, 1, 6)
	if err != nil {
		t.Fatalf("%s: %v", d.name, err)
	}
	return o
}

// agrees holds a move against its mark.
func agrees(mark byte, v, least, same, size float64) bool {
	scale := math.Max(0.1, 0.8*size*size)
	switch mark {
	case '+':
		return v > least*scale
	case '-':
		return v < -least*scale
	case '=':
		return math.Abs(v) < same*math.Max(size, 0.5)
	}
	return true
}
