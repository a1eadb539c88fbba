package plant

import (
	"math"
	"testing"
	"time"

	"diastole/model/pump"
)

// These are the facts that a diagnosis may rely on. None was tuned: they follow from which valve and which
// chamber act in which stroke. They are read at equal mean pressures where that matters.

// leak is a worn ball of the one-inch pump: 10 mm2 times its discharge coefficient, m2.
const leak = 10e-6 * 0.7

func leaks(at ...int) Faults {
	var f Faults
	for _, i := range at {
		f.CheckLeak[i] = leak
	}
	return f
}

// compared is a faulty pump against the sound one, at the sound one's pressures.
func compared(t *testing.T, p Params, f Faults, pr Process) (sound, faulty Point) {
	t.Helper()
	sound = Measure(p, Faults{}, pr, 1, 6)
	faulty, _, err := At(p, f, pr, sound.Inlet, sound.Discharge, 1, 6)
	if err != nil {
		t.Fatal(err)
	}
	return sound, faulty
}

// TestSuctionAndOppositeDischargeLookAlike: the suction check of one side and the discharge check of the
// other act in the same stroke; the air side and the discharge cannot tell them apart.
func TestSuctionAndOppositeDischargeLookAlike(t *testing.T) {
	p := smooth(t, oneInch)
	sound, a := compared(t, p, leaks(SuctionLeft), p.Reference())
	_, b := compared(t, p, leaks(DischargeRight), p.Reference())
	if !(a.Asymmetry < -0.04 && b.Asymmetry < -0.04) {
		t.Errorf("stroke A is not the short one: asymmetry %.3f and %.3f", a.Asymmetry, b.Asymmetry)
	}
	for _, q := range []struct {
		name    string
		s, a, b float64
	}{
		{"rate", sound.Rate, a.Rate, b.Rate},
		{"asymmetry", 0, a.Asymmetry, b.Asymmetry},
		{"flow", sound.Flow, a.Flow, b.Flow},
	} {
		effect := math.Max(math.Abs(q.a-q.s), math.Abs(q.b-q.s))
		if d := math.Abs(q.a - q.b); d > 0.15*effect {
			t.Errorf("%s tells them apart: sound %g, suction %g, discharge %g", q.name, q.s, q.a, q.b)
		}
	}
}

// TestSuctionPortSeesTheNetFlow: nor can a pressure in the common suction manifold tell them apart while the shaft moves. A
// leaking suction check pushes back what the other chamber draws beside it; a leaking discharge check lets that
// chamber draw less by as much. What passes the port is the delivery in both, by continuity. Only in the
// changeover, while the shaft stands, does the suction leak still push: the pressure there reaches higher by
// less than a quarter of the swing that every changeover makes. A sensor in one leg of the manifold would see
// more; this model has one node for both.
func TestSuctionPortSeesTheNetFlow(t *testing.T) {
	p := smooth(t, oneInch)
	sound := Measure(p, Faults{}, p.Reference(), 1, 6)
	at := func(f Faults) (mean [2]float64, high float64) {
		_, pr, err := At(p, f, p.Reference(), sound.Inlet, sound.Discharge, 1, 6)
		if err != nil {
			t.Fatal(err)
		}
		s := New(p, 1)
		s.Used(1e9)
		s.Set(f, pr)
		s.Settle()
		var n [2]float64
		for from := s.Strokes()&^1 + 2; s.Strokes() < from+8; {
			s.Run(time.Millisecond, time.Millisecond, func(x Sample) {
				if x.Strokes >= from {
					side := (x.Strokes - from) % 2 // after a whole cycle the left side discharges
					mean[side] += x.Suction
					n[side]++
					high = max(high, x.Suction)
				}
			})
		}
		return [2]float64{mean[0] / n[0], mean[1] / n[1]}, high
	}
	f := fault(t, p, pump.CheckValveLeak, pump.SideA, 1)
	g := Faults{}
	g.CheckLeak[DischargeRight] = f.CheckLeak[SuctionLeft]
	healthy, _ := at(Faults{})
	suction, highS := at(f)
	discharge, highD := at(g)
	effect := suction[0] - healthy[0]
	if effect < 0.03e5 {
		t.Fatalf("the leak lifts the mean suction pressure of its stroke by %g Pa only", effect)
	}
	for i := range 2 {
		if d := suction[i] - discharge[i]; math.Abs(d) > 0.2*effect {
			t.Errorf("stroke %d: mean suction %g Pa with a suction leak, %g with a discharge leak, %g sound", i, suction[i], discharge[i], healthy[i])
		}
	}
	if d := highS - highD; d < 0 || d > 0.25e5 {
		t.Errorf("highest suction pressure %g Pa with a suction leak, %g with a discharge leak", highS, highD)
	}
}

// TestEvenWearHasNoAsymmetry: both checks of one side, both suction, both discharge, equally worn, raise the
// rate and leave the strokes equal.
func TestEvenWearHasNoAsymmetry(t *testing.T) {
	p := smooth(t, oneInch)
	for _, c := range []struct {
		name string
		f    Faults
	}{
		{"one side", leaks(SuctionLeft, DischargeLeft)},
		{"both suction", leaks(SuctionLeft, SuctionRight)},
		{"both discharge", leaks(DischargeLeft, DischargeRight)},
	} {
		sound, o := compared(t, p, c.f, p.Reference())
		if !(math.Abs(o.Asymmetry) < 0.01 && o.Rate > 1.02*sound.Rate && o.PerStroke < 0.95*sound.PerStroke) {
			t.Errorf("%s: asymmetry %.4f, rate %+.1f %%, volume per stroke %+.1f %%", c.name, o.Asymmetry,
				100*(o.Rate/sound.Rate-1), 100*(o.PerStroke/sound.PerStroke-1))
		}
	}
}

// TestDeadHead: against a shut line a sound pump stands, one leaking check (or the two of one stroke) lets it
// make at most a stroke, and leaks that serve both strokes let it creep, at the period that the leak sets:
// V / (area sqrt(2 dp / rho)).
func TestDeadHead(t *testing.T) {
	t.Parallel()
	p := smooth(t, oneInch)
	creep := func(f Faults) (strokes int64, s *Pump) {
		s = New(p, 1)
		s.Used(1e9)
		s.Set(Faults{}, p.Reference())
		s.Settle()
		pr := p.Reference()
		pr.DeadHead = true
		s.Set(f, pr)
		s.Run(10*time.Second, time.Second, nil)
		before := s.Strokes()
		s.Run(60*time.Second, time.Second, nil)
		return s.Strokes() - before, s
	}
	for _, c := range []struct {
		name string
		f    Faults
		most int64
	}{
		{"sound", Faults{}, 0},
		{"one suction", leaks(SuctionLeft), 1},
		{"one discharge", leaks(DischargeRight), 1},
		{"suction and opposite discharge", leaks(SuctionLeft, DischargeRight), 1},
	} {
		n, s := creep(c.f)
		if n > c.most {
			t.Errorf("%s: %d strokes at dead-head", c.name, n)
		}
		if x := s.Sample(); math.Abs(x.Inlet-5e5) > 0.02e5 {
			t.Errorf("%s: inlet stands at %g Pa, set are 5 bar", c.name, x.Inlet)
		}
	}
	n, s := creep(leaks(SuctionLeft, SuctionRight))
	x := s.Sample()
	period := 60 / float64(n)
	want := p.StrokeVolume() / (leak * math.Sqrt(2*(x.Inlet-x.Suction)/waterDensity))
	if n < 10 || math.Abs(period/want-1) > 0.25 {
		t.Errorf("both suction checks: %d strokes in 60 s, one in %.2f s; the leak lets one pass in %.2f s", n, period, want)
	}
}

// TestWetEndAndAirEndSeparate: ball leaks leave the air per stroke (within 1 %), air-side leaks raise it and
// leave the rate nearly as it was.
func TestWetEndAndAirEndSeparate(t *testing.T) {
	t.Parallel()
	p := smooth(t, oneInch)
	for _, f := range []Faults{leaks(SuctionLeft), leaks(SuctionLeft, SuctionRight), leaks(DischargeLeft, DischargeRight)} {
		sound, o := compared(t, p, f, p.Reference())
		if d := o.AirPerStroke/sound.AirPerStroke - 1; math.Abs(d) > 0.01 {
			t.Errorf("leaking balls %v change the air per stroke by %.2f %%", f.CheckLeak, d*100)
		}
	}
	for _, f := range []Faults{{SpoolBlowBy: 2e-9}, {AirLeak: [2]float64{2e-9}}} {
		sound, o := compared(t, p, f, p.Reference())
		air, rate := o.AirPerStroke/sound.AirPerStroke-1, o.Rate/sound.Rate-1
		if !(air > 0.04 && math.Abs(rate) < 0.02) {
			t.Errorf("an air leak changes the air per stroke by %.1f %% and the rate by %.1f %%", air*100, rate*100)
		}
	}
}

// TestLeakShowsInRateNotInFlow: the regulator holds pressure, not flow, so a leak at an unchanged regulator
// and line raises the rate far more than it lowers the flow.
func TestLeakShowsInRateNotInFlow(t *testing.T) {
	p := smooth(t, oneInch)
	pr := p.Reference()
	sound := Measure(p, Faults{}, pr, 1, 6)
	o := Measure(p, fault(t, p, pump.CheckValveLeak, pump.SideA, 0.7), pr, 1, 6)
	rate, flow := o.Rate/sound.Rate-1, o.Flow/sound.Flow-1
	if !(rate > 0.05 && flow < 0 && -flow < 0.6*rate) {
		t.Errorf("rate %+.1f %%, flow %+.1f %%", rate*100, flow*100)
	}
	// At equal pressures less than half of that rate is left: the discharge pressure had taken the rest.
	_, equal := compared(t, p, fault(t, p, pump.CheckValveLeak, pump.SideA, 0.7), pr)
	if left := equal.Rate/sound.Rate - 1; !(left > 0.01 && left < 0.7*rate) {
		t.Errorf("rate %+.1f %% at an unchanged regulator, %+.1f %% at equal pressures", rate*100, left*100)
	}
}
