package feature

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/signal"
	"diastole/model/plant"
)

// playing runs a simulated one-inch pump through processes of some seconds each.
func playing(t *testing.T, seconds int, change ...func(*plant.Faults, *plant.Process)) []signal.Chunk {
	t.Helper()
	p, err := plant.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	s := plant.New(p, 4)
	pr := p.Reference()
	s.Set(plant.Faults{}, pr)
	s.Settle()
	rng := rand.New(rand.NewPCG(4, 4))
	var in, out []float64
	var chunks []signal.Chunk
	for _, f := range change {
		var faults plant.Faults
		now := pr
		f(&faults, &now)
		s.Set(faults, now)
		s.Run(time.Duration(seconds)*time.Second, 10*time.Millisecond, func(x plant.Sample) {
			in = append(in, x.Inlet+1000*rng.NormFloat64())
			out = append(out, x.Discharge+1000*rng.NormFloat64())
			if len(in)%100 == 0 {
				at := start.Add(time.Duration(len(in)) * 10 * time.Millisecond)
				chunks = append(chunks, signal.Chunk{Channel: signal.StrokeCount, Start: at, Values: []float64{float64(x.Strokes)}})
			}
		})
	}
	chunks = append(chunks, cut(signal.AirInletPressure, 10*time.Millisecond, in, 100)...)
	chunks = append(chunks, cut(signal.DischargePressure, 10*time.Millisecond, out, 100)...)
	order(chunks)
	return chunks
}

// TestStates plays what a pump may do and wants each state to be told within ten seconds of the data that show it.
func TestStates(t *testing.T) {
	usual := func(*plant.Faults, *plant.Process) {}
	cases := []struct {
		name   string
		change func(*plant.Faults, *plant.Process)
		want   State
		within time.Duration
	}{
		{"air off", func(_ *plant.Faults, p *plant.Process) { p.AirOff = true }, Off, 10 * time.Second},
		{"dead-head", func(_ *plant.Faults, p *plant.Process) { p.DeadHead = true }, Stalled, 10 * time.Second},
		{"valve centred", func(f *plant.Faults, _ *plant.Process) { f.SpoolCentred = true }, NotStroking, 10 * time.Second},
		{"dry", func(_ *plant.Faults, p *plant.Process) { p.DryRun = true; p.StaticHead = 0 }, Dry, 10 * time.Second},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			const part = 20
			epochs, transitions := build(modelSettings(t, "generic-one-inch"), playing(t, part, usual, c.change, usual))
			var states []State
			told := time.Time{}
			for _, tr := range transitions {
				states = append(states, tr.State)
				if tr.State == c.want && told.IsZero() {
					told = tr.Time
				}
				if tr.Since.After(tr.Time) {
					t.Errorf("%v since %v, after it was told at %v", tr.State, tr.Since, tr.Time)
				}
			}
			if told.IsZero() {
				t.Fatalf("states are %v, want %v among them", states, c.want)
			}
			if d := told.Sub(start.Add(part * time.Second)); d < 0 || d > c.within {
				t.Errorf("%v is told %v after it began", c.want, d)
			}
			if states[0] != Running {
				t.Errorf("states are %v, want running first", states)
			}
			// A centred valve needs a tap; all else runs again.
			if c.want != NotStroking && states[len(states)-1] != Running {
				t.Errorf("states are %v, want running last", states)
			}
			for _, e := range epochs {
				if e.State != Running && e.State != Dry && e.Features != ([NumFeatures]Value{}) {
					t.Errorf("an epoch %v has features", e.State)
				}
			}
		})
	}
}

// TestSlowTier wants rate, operating point and state from readings once a second.
func TestSlowTier(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	const rate = 2.7
	var chunks []signal.Chunk
	put := func(ch signal.Channel, at float64, v float64) {
		chunks = append(chunks, signal.Chunk{Channel: ch, Start: start.Add(time.Duration(at * 1e9)), Values: []float64{v}})
	}
	for i := range 600 {
		at := float64(i) + 0.02*rng.Float64()
		running := i < 300
		in, out := 5e5, 4.2e5
		if !running {
			out = 5e5
		}
		put(signal.AirInletPressure, at, in+2000*rng.NormFloat64())
		put(signal.DischargePressure, at, out+2000*rng.NormFloat64())
		put(signal.StrokeCount, at, math.Floor(1000+rate*min(at, 300)))
	}
	order(chunks)
	set := plain().settings()
	epochs, transitions := build(set, chunks)
	if len(transitions) != 2 || transitions[0].State != Running || transitions[1].State != Stalled {
		t.Fatalf("transitions %v, want running, then stalled", transitions)
	}
	var ran int
	for _, e := range epochs {
		if e.State != Running || e.End.Sub(e.Start) < 30*time.Second {
			continue
		}
		ran++
		f := e.Features[StrokeRate]
		if !f.Valid || math.Abs(f.V-rate) > 4*f.SE {
			t.Errorf("rate %v, want %v", f, rate)
		}
		if !e.Inlet.Valid || math.Abs(e.Inlet.V-5e5) > 4*e.Inlet.SE {
			t.Errorf("inlet %v, want 5e5", e.Inlet)
		}
		if e.Anchored || e.Features[Asymmetry].Valid || e.Features[DipDepth].Valid {
			t.Error("a reading a second tells sides or dips")
		}
	}
	if ran < 4 {
		t.Errorf("%d running epochs, want at least 4", ran)
	}
}

// TestCounters wants the parity to survive a wrap, a counter of cycles and a late one, and to be given up where the
// counter stands still.
func TestCounters(t *testing.T) {
	cases := []struct {
		name     string
		change   func(*Settings, float64) float64
		latency  float64
		anchored bool
	}{
		{"plain", func(_ *Settings, v float64) float64 { return v }, 0, true},
		{"late", func(_ *Settings, v float64) float64 { return v }, 0.05, true},
		{"wraps", func(s *Settings, v float64) float64 { s.WrapsAt = 1020; return math.Mod(v, 1020) }, 0, true},
		{"counts cycles", func(s *Settings, v float64) float64 { s.CounterPerCycle = true; return math.Floor(v / 2) }, 0, true},
		{"frozen", func(*Settings, float64) float64 { return 16777216 }, 0, false},
		{"absent", nil, 0, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := plain()
			s.seconds, s.latency, s.asymmetry = 50, c.latency, 0.03
			chunks, truth := s.make()
			set := s.settings()
			var fed []signal.Chunk
			for _, x := range chunks {
				if x.Channel == signal.StrokeCount {
					if c.change == nil {
						continue
					}
					x.Values = []float64{c.change(&set, x.Values[0])}
				}
				fed = append(fed, x)
			}
			epochs, _ := build(set, fed)
			if len(epochs) != 1 {
				t.Fatalf("%d epochs, want 1", len(epochs))
			}
			e := epochs[0]
			if e.Anchored != c.anchored {
				t.Errorf("anchored %v, want %v", e.Anchored, c.anchored)
			}
			if d := e.Strokes - len(truth); d < -3 || d > 0 {
				t.Errorf("%d strokes, want about %d", e.Strokes, len(truth))
			}
			a := e.Features[Asymmetry]
			if c.anchored && math.Abs(a.V-s.asymmetry) > 4*a.SE {
				t.Errorf("asymmetry is %v, want %v", a, s.asymmetry)
			}
			if math.Abs(math.Abs(a.V)-s.asymmetry) > 4*a.SE {
				t.Errorf("absolute asymmetry is %v, want %v", a, s.asymmetry)
			}
		})
	}
}
