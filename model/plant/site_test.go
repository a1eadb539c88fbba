package plant

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// TestHealthyShape checks what a stranger would look for first in the signals of a sound one-inch pump: an
// inlet dip of 20 to 60 ms at each changeover, strokes that scatter by 0.5 to 1 % and sides that differ by
// up to 3 % (service practice).
func TestHealthyShape(t *testing.T) {
	t.Parallel()
	var asymmetry []float64
	for seed := range uint64(8) {
		p := generic(t, oneInch).Scatter(rand.New(rand.NewPCG(seed, 5)), 1)
		o := Measure(p, Faults{}, p.Reference(), seed, 30)
		if o.DipWidth < 0.015 || o.DipWidth > 0.060 || o.Dip < 0.1e5 || o.Dip > 0.6e5 {
			t.Errorf("pump %d: dip of %.2f bar, %.0f ms wide", seed, o.Dip/1e5, o.DipWidth*1e3)
		}
		if o.Scatter < 0.004 || o.Scatter > 0.012 {
			t.Errorf("pump %d: strokes scatter by %.2f %%", seed, o.Scatter*100)
		}
		asymmetry = append(asymmetry, math.Abs(o.Asymmetry))
	}
	var largest, sum float64
	for _, a := range asymmetry {
		largest = max(largest, a)
		sum += a
	}
	if m := sum / float64(len(asymmetry)); m < 0.003 || m > 0.015 || largest > 0.03 {
		t.Errorf("healthy asymmetry: mean %.2f %%, largest %.2f %%", m*100, largest*100)
	}
}

// TestScatterZero checks that no scatter is no change.
func TestScatterZero(t *testing.T) {
	p := generic(t, oneInch)
	if q := p.Scatter(rand.New(rand.NewPCG(1, 1)), 0); q != p {
		t.Errorf("scatter of zero changes the pump: %+v", q)
	}
}

// TestBedIn checks that new seals make the pump 2 to 5 % slow and that it wears off over the first 10 to 50
// thousand cycles (common practice).
func TestBedIn(t *testing.T) {
	p := smooth(t, oneInch)
	rate := func(used float64) float64 {
		s := New(p, 1)
		s.Used(used)
		s.Settle()
		return s.Measure(10).Rate
	}
	worn, fresh, later := rate(1e9), rate(0), rate(80000)
	if slow := 1 - fresh/worn; slow < 0.015 || slow > 0.05 {
		t.Errorf("new seals slow the pump by %.2f %%", slow*100)
	}
	if slow := 1 - later/worn; slow > 0.005 {
		t.Errorf("after 40 000 cycles it is still %.2f %% slow", slow*100)
	}
	s := New(p, 1)
	s.Used(1e6)
	s.Rebuild()
	if s.strokes.worn != 0 {
		t.Error("a rebuild leaves the seals old")
	}
}

// TestIcing checks that a pump ices over minutes of running and recovers in a rest: that is how ice differs
// from dirt in a muffler.
func TestIcing(t *testing.T) {
	p := smooth(t, oneInch)
	s := New(p, 1)
	s.Used(1e9)
	pr := p.Reference()
	pr.Icing = 0.8
	s.Set(Faults{}, pr)
	s.Settle()
	first := s.Measure(4).Rate
	s.FastForward(15 * time.Minute)
	s.Settle()
	iced := s.Measure(4).Rate
	pr.DeadHead = true
	s.Set(Faults{}, pr)
	s.Run(10*time.Second, time.Second, nil)
	s.FastForward(15 * time.Minute)
	pr.DeadHead = false
	s.Set(Faults{}, pr)
	s.Settle()
	rested := s.Measure(4).Rate
	if !(iced < 0.9*first && rested > 0.97*first) {
		t.Errorf("strokes a second: %.3f at first, %.3f iced, %.3f rested", first, iced, rested)
	}
}

// TestFastForward checks that a pause keeps rate and parity and integrates nothing, and that a standing pump
// does not count.
func TestFastForward(t *testing.T) {
	p := smooth(t, oneInch)
	s := New(p, 1)
	s.Used(1e9)
	s.Settle()
	rate := s.Measure(10).Rate
	n, mass := s.Strokes(), s.mass
	s.FastForward(time.Hour)
	got := float64(s.Strokes()-n) / 3600
	if math.Abs(got/rate-1) > 0.005 || (s.Strokes()-n)%2 != 0 || s.mass != mass {
		t.Errorf("%.4f strokes a second in a pause, %.4f before; %d strokes", got, rate, s.Strokes()-n)
	}
	if after := s.Measure(4).Rate; math.Abs(after/rate-1) > 0.005 {
		t.Errorf("%.4f strokes a second after a pause, %.4f before", after, rate)
	}
	pr := p.Reference()
	pr.AirOff = true
	s.Set(Faults{}, pr)
	s.Run(20*time.Second, time.Second, nil)
	n = s.Strokes()
	s.FastForward(time.Hour)
	if s.Strokes() != n {
		t.Errorf("a pump without air counts %d strokes in a pause", s.Strokes()-n)
	}
	if x := s.Sample(); math.Abs(x.Inlet) > 0.02e5 || x.Discharge < 0.5e5 {
		t.Errorf("air off: inlet %g, discharge %g Pa; the inlet is vented, the static head stays", x.Inlet, x.Discharge)
	}
}

// TestStandstills checks the three ways of standing, which are told apart by pressures alone: a dead-head
// (discharge about as high as the air), a centred spool and a stuck ball (discharge well below it), and that
// a rebuild frees the spool.
func TestStandstills(t *testing.T) {
	p := smooth(t, oneInch)
	stand := func(f Faults) (*Pump, Sample) {
		s := New(p, 1)
		s.Settle()
		s.Set(f, p.Reference())
		s.Run(10*time.Second, time.Second, nil)
		n := s.Strokes()
		s.Sample()
		s.Run(10*time.Second, time.Second, nil)
		if s.Strokes() != n {
			t.Errorf("%+v: the pump strokes", f)
		}
		return s, s.Sample()
	}
	s, x := stand(Faults{SpoolCentred: true})
	if !(x.Inlet > 4.9e5 && x.Discharge < 1.5e5 && x.AirFlow < 1e-4) {
		t.Errorf("centred: %+v", x)
	}
	s.Rebuild()
	s.Set(Faults{}, p.Reference())
	n := s.Strokes()
	s.Run(10*time.Second, time.Second, nil)
	if s.Strokes() < n+10 {
		t.Error("a rebuild does not free the spool")
	}
	if _, x := stand(Faults{BallStuck: [4]bool{DischargeLeft: true}}); !(x.Inlet > 4.9e5 && x.Discharge < 1.5e5) {
		t.Errorf("ball stuck: %+v", x)
	}
}

// TestDryRun checks that an empty suction makes the pump race with no pressure behind it.
func TestDryRun(t *testing.T) {
	t.Parallel()
	p := smooth(t, oneInch)
	s := New(p, 1)
	s.Settle()
	wet := s.Measure(5)
	pr := p.Reference()
	pr.DryRun = true
	s.Set(Faults{}, pr)
	s.Run(60*time.Second, time.Second, nil)
	dry := s.Measure(5)
	if !(dry.Rate > 2*wet.Rate && dry.Rate < 4*wet.Rate && dry.Discharge < 0.15*wet.Discharge) {
		t.Errorf("dry: %.2f strokes a second (%.2f wet), discharge %.2f bar", dry.Rate, wet.Rate, dry.Discharge/1e5)
	}
	pr.DryRun = false
	s.Set(Faults{}, pr)
	s.Run(60*time.Second, time.Second, nil)
	if again := s.Measure(5); math.Abs(again.Rate/wet.Rate-1) > 0.01 {
		t.Errorf("primed again it makes %.3f strokes a second, %.3f before", again.Rate, wet.Rate)
	}
}

// TestRuptureWetsTheAirSide checks that liquid comes to the air side where its pressure is the higher: a
// flooded suction against a chamber that exhausts.
func TestRuptureWetsTheAirSide(t *testing.T) {
	p := smooth(t, oneInch)
	s := New(p, 1)
	pr := p.Reference()
	pr.SuctionHead = 0.5e5
	s.Set(Faults{DiaphragmHole: [2]float64{1e-5, 0}}, pr)
	s.Settle()
	if x := s.Sample(); !x.Wet || s.Totals().LiquidToAir <= 0 || s.Totals().AirToLiquid <= 0 {
		t.Errorf("wet %v, liquid to air %g m3, air to liquid %g kg", x.Wet, s.Totals().LiquidToAir, s.Totals().AirToLiquid)
	}
}

// TestHeaderMain checks the header: its swing has the standard deviation and correlation asked for whatever the
// step, its draw costs what the loss says, and its dips come as often as they should.
func TestHeaderMain(t *testing.T) {
	for _, dt := range []float64{1, 60} {
		m := NewMain(Header{Nominal: 7e5, Swing: 1e4, SwingTime: 60}, 1)
		var sum, square, lag, last float64
		const n = 200000
		for range n {
			m.Advance(dt, 0)
			d := m.Pressure() - 7e5
			sum += d
			square += d * d
			lag += d * last
			last = d
		}
		if sd := math.Sqrt(square / n); math.Abs(sd/1e4-1) > 0.1 {
			t.Errorf("step %g s: the swing has sd %.0f Pa", dt, sd)
		}
		if r, want := lag/square, math.Exp(-dt/60); math.Abs(r-want) > 0.02 {
			t.Errorf("step %g s: correlation %.3f, want %.3f", dt, r, want)
		}
	}
	m := NewMain(Header{Nominal: 7e5, Volume: 0.2, Loss: 2e6}, 1)
	for range 100000 {
		m.Advance(0.01, 0.02)
	}
	if d := 7e5 - m.Pressure(); math.Abs(d-4e4) > 10 {
		t.Errorf("20 g/s cost %.0f Pa, want 40000", d)
	}
	m = NewMain(Header{Nominal: 7e5, Dips: 3600, DipDepth: 1e4, DipTime: 1}, 1)
	var sum float64
	for range 400000 {
		m.Advance(0.05, 0)
		sum += 7e5 - m.Pressure()
	}
	// One dip a second of mean depth 1e4 that decays with 1 s: 1e4 on average (Campbell's theorem).
	if mean := sum / 400000; math.Abs(mean/1e4-1) > 0.1 {
		t.Errorf("dips cost %.0f Pa on average, want 10000", mean)
	}
}

// TestManifold checks that a shared discharge pipe settles where its loss carries the flow, from either side
// and at any step, and that two pumps on it see each other.
func TestManifold(t *testing.T) {
	for _, dt := range []float64{1e-3, 0.1, 10} {
		m := Manifold{Static: 1e5, Resistance: 1e11, Compliance: 1e-9}
		if m.Pressure() != 1e5 {
			t.Error("at first the static pressure stands")
		}
		for range 20000 {
			m.Advance(dt, 1e-3)
		}
		if p := m.Pressure(); math.Abs(p-2e5) > 50 { // 1e11 (1e-3)^2 over static
			t.Errorf("step %g s: %.0f Pa, want 200000", dt, p)
		}
		for range 20000 {
			m.Advance(dt, 0)
		}
		if p := m.Pressure(); math.Abs(p-1e5) > 2000 {
			t.Errorf("step %g s: %.0f Pa without flow, want 100000", dt, p)
		}
	}
	p := smooth(t, oneInch)
	flow := func(pumps int) float64 {
		m := Manifold{Static: 1e5, Resistance: 5e10, Compliance: 1e-9}
		var set []*Pump
		for k := range pumps {
			set = append(set, New(p, uint64(k)))
		}
		const tick = 5 * time.Millisecond
		for range 2000 {
			var q float64
			for _, s := range set {
				s.SetStaticHead(m.Pressure())
				s.Run(tick, tick, func(x Sample) { q += x.LiquidFlow })
			}
			m.Advance(tick.Seconds(), q)
		}
		return set[0].Totals().LiquidOut
	}
	if one, two := flow(1), flow(2); !(two < 0.97*one) {
		t.Errorf("alone a pump delivers %g m3, beside another %g", one, two)
	}
}

// TestQuantities checks that every quantity can be set, read back and refused.
func TestQuantities(t *testing.T) {
	var pr Process
	for _, q := range quantities {
		v := (q.lo + q.hi) / 2
		if err := pr.SetQuantity(q.name, v); err != nil {
			t.Error(err)
		}
		if got, err := pr.Quantity(q.name); err != nil || got != v {
			t.Errorf("%s: set %g, got %g, %v", q.name, v, got, err)
		}
		if err := pr.SetQuantity(q.name, q.hi+1e9); err == nil || !strings.Contains(err.Error(), "allowed are") {
			t.Errorf("%s out of range gives %v", q.name, err)
		}
	}
	for _, q := range switches {
		if err := pr.SetQuantity(q.name, 1); err != nil {
			t.Error(err)
		}
		if got, err := pr.Quantity(q.name); err != nil || got != 1 {
			t.Errorf("%s: got %g, %v", q.name, got, err)
		}
		if err := pr.SetQuantity(q.name, 0.5); err == nil {
			t.Errorf("%s takes a half", q.name)
		}
	}
	if !pr.DryRun || !pr.DeadHead || !pr.AirOff {
		t.Error("a switch was not set")
	}
	if err := pr.SetQuantity("x", 1); err == nil || !strings.Contains(err.Error(), "viscosity") {
		t.Errorf("an unknown quantity gives %v", err)
	}
	if _, err := pr.Quantity("x"); err == nil {
		t.Error("an unknown quantity can be read")
	}
	if len(Quantities()) != len(quantities)+len(switches) {
		t.Error("the list is not complete")
	}
}
