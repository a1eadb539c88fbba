package plant

import (
	"math"
	"strings"
	"testing"

	"diastole/model/pump"
)

// TestFaultDirections holds what each fault and each process cause does at equal mean pressures, at a
// quarter and at full size, against the directions that service practice and an independent lumped model
// give (marks: + up, - down, = about the same, empty not asked). Rate, |asymmetry|, air per stroke, dip
// depth and width, ripple; the bounds of "=" grow with the size.
func TestFaultDirections(t *testing.T) {
	p := smooth(t, oneInch)
	pr := p.Reference()
	sound := Measure(p, Faults{}, pr, 1, 6)
	faulty := func(f pump.Fault, side pump.Side) func(*testing.T, float64) (Faults, Process) {
		return func(t *testing.T, size float64) (Faults, Process) { return fault(t, p, f, side, size), pr }
	}
	change := func(g func(*Faults, *Process, float64)) func(*testing.T, float64) (Faults, Process) {
		return func(_ *testing.T, size float64) (Faults, Process) {
			var f Faults
			q := pr
			g(&f, &q, size)
			return f, q
		}
	}
	c := p.Supply[Left].C
	for _, k := range []struct {
		name string
		at   func(*testing.T, float64) (Faults, Process)
		// rate, asymmetry, air, dip, width, ripple
		want string
	}{
		{"check leak, one side", faulty(pump.CheckValveLeak, pump.SideA), "+ + = =   "},
		{"check leak, both", faulty(pump.CheckValveLeak, pump.SideBoth), "+ = = =   "},
		// A tear may raise or lower the rate; the gas makes the ripple smaller.
		{"diaphragm tear", faulty(pump.DiaphragmRupture, pump.SideA), "  + +     -"},
		{"air valve leak", faulty(pump.AirValveLeak, pump.SideBoth), "= = + +   ="},
		{"pilot late, one side", faulty(pump.PilotValveSlow, pump.SideA), "- + = =   +"},
		{"pilot late, both", faulty(pump.PilotValveSlow, pump.SideBoth), "- = = =   +"},
		{"spool slow", change(func(f *Faults, _ *Process, z float64) { f.SpoolSlow = 1 + 3*z }), "- = = -   +"},
		{"pilot early", change(func(f *Faults, _ *Process, z float64) { f.PilotEarly = [2]float64{0.3 * z, 0.3 * z} }), "+ = -     -"},
		{"shaft seal", change(func(f *Faults, _ *Process, z float64) { f.ShaftSeal = 0.1 * c * z }), "- = + -   ="},
		{"air leak, one side", change(func(f *Faults, _ *Process, z float64) { f.AirLeak[Left] = 0.06 * c * z }), "= = +     ="},
		{"muffler blocked", change(func(_ *Faults, q *Process, z float64) { q.ExhaustBlock = 0.5 + 0.3*z }), "- = = =    "},
		{"supply restricted", change(func(_ *Faults, q *Process, z float64) { q.SupplyBlock = 0.6 * z }), "= = = + + ="},
		{"suction restricted", change(func(_ *Faults, q *Process, z float64) { q.SuctionBlock = 0.4 + 0.3*z }), "- = = =    "},
		{"suction air", change(func(_ *Faults, q *Process, z float64) { q.SuctionAir = 0.1 * z }), "+ = = =   -"},
		{"throttled", change(func(_ *Faults, q *Process, z float64) { q.ThrottleFactor = 1 + z }), "= = = =    "},
		{"thick liquid", change(func(_ *Faults, q *Process, z float64) { q.Viscosity = 1 + 4*z }), "- = = =   -"},
	} {
		t.Run(k.name, func(t *testing.T) {
			for _, size := range []float64{0.25, 1} {
				f, q := k.at(t, size)
				o, _, err := At(p, f, q, sound.Inlet, sound.Discharge, 1, 6)
				if err != nil {
					t.Fatal(err)
				}
				for i, d := range []struct {
					name  string
					v     float64
					least float64 // what counts as a move at full size
					same  float64 // what counts as none at full size
				}{
					{"rate", o.Rate/sound.Rate - 1, 0.015, 0.05},
					{"asymmetry", math.Abs(o.Asymmetry), 0.03, 0.03},
					{"air per stroke", o.AirPerStroke/sound.AirPerStroke - 1, 0.02, 0.015},
					{"dip", o.Dip/sound.Dip - 1, 0.02, 0.1},
					{"dip width", o.DipWidth/sound.DipWidth - 1, 0.1, 0.1},
					{"ripple", o.Ripple/sound.Ripple - 1, 0.02, 0.06},
				} {
					mark := (k.want + strings.Repeat(" ", 12))[2*i]
					scale := math.Max(0.1, 0.8*size*size) // early signs are small, some grow with the square
					ok := true
					switch mark {
					case '+':
						ok = d.v > d.least*scale
					case '-':
						ok = d.v < -d.least*scale
					case '=':
						ok = math.Abs(d.v) < d.same*math.Max(size, 0.5)
					}
					if !ok {
						t.Errorf("size %g: %s moves by %+.2f %%, expected %q", size, d.name, 100*d.v, mark)
					}
				}
			}
		})
	}
}

// TestStickingIsRandom checks that a sticking air valve scatters strokes and slows the pump, on average
// alike on both sides.
func TestStickingIsRandom(t *testing.T) {
	p := generic(t, oneInch)
	sound := Measure(p, Faults{}, p.Reference(), 1, 60)
	for _, size := range []float64{0.25, 1} {
		o := Measure(p, fault(t, p, pump.AirValveSticking, pump.SideBoth, size), p.Reference(), 1, 60)
		if !(o.Scatter > 3*sound.Scatter && o.Rate < sound.Rate && o.Dip < sound.Dip) {
			t.Errorf("size %g: scatter %.3f (sound %.3f), rate %.3f (%.3f), dip %.3g (%.3g)", size, o.Scatter, sound.Scatter, o.Rate, sound.Rate, o.Dip, sound.Dip)
		}
	}
}

// TestFaultErrors checks what Fault refuses.
func TestFaultErrors(t *testing.T) {
	p := generic(t, oneInch)
	for _, c := range []struct {
		f    pump.Fault
		side pump.Side
		size float64
		want string
	}{
		{"rust", pump.SideA, 1, "check-valve-leak"},
		{pump.CheckValveLeak, "left", 1, "unknown"},
		{pump.CheckValveLeak, pump.SideA, -1, "zero or more"},
		{pump.CheckValveLeak, pump.SideA, math.NaN(), "zero or more"},
	} {
		if _, err := Fault(c.f, c.side, c.size, p); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("Fault(%q, %q, %g) gives %v, want %q in it", c.f, c.side, c.size, err, c.want)
		}
	}
	bad := p
	bad.Mass = 0
	if err := bad.Validate(); err == nil || !strings.Contains(err.Error(), "Mass") {
		t.Errorf("a pump without mass gives %v", err)
	}
	bad = p
	bad.Step = 3e-4
	if err := bad.Validate(); err == nil || !strings.Contains(err.Error(), "1 ms") {
		t.Errorf("an odd step gives %v", err)
	}
	bad = p
	bad.CheckArea[2] = math.NaN()
	if err := bad.Validate(); err == nil || !strings.Contains(err.Error(), "check valve 2") {
		t.Errorf("a check without area gives %v", err)
	}
}
