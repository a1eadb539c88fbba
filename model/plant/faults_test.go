package plant

import (
	"math"
	"strings"
	"testing"

	"diastole/model/pump"
)

// TestStickingIsRandom checks that a sticking air valve scatters strokes and slows the pump, on average
// alike on both sides.
func TestStickingIsRandom(t *testing.T) {
	t.Parallel()
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
