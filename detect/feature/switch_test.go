package feature

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/signal"
)

// without leaves channels out of chunks.
func without(chunks []signal.Chunk, channels ...signal.Channel) []signal.Chunk {
	var out []signal.Chunk
next:
	for _, c := range chunks {
		for _, ch := range channels {
			if c.Channel == ch {
				continue next
			}
		}
		out = append(out, c)
	}
	return out
}

// at is a single reading of a channel some seconds after the start.
func at(ch signal.Channel, seconds, v float64) signal.Chunk {
	return signal.Chunk{Channel: ch, Start: start.Add(time.Duration(math.Round(seconds * 1e9))), Values: []float64{v}}
}

// TestSwitchAlone wants exact times, and the features that need no more, of a pump that has only a switch.
func TestSwitchAlone(t *testing.T) {
	s := plain()
	s.seconds, s.asymmetry, s.scatter = 58, 0.05, 0.01
	_, truth := s.make()
	var chunks []signal.Chunk
	for i, e := range truth {
		chunks = append(chunks, at(signal.StrokeEdge, e, 0))
		if i%10 == 3 { // the contact bounces
			chunks = append(chunks, at(signal.StrokeEdge, e+0.004, 0))
		}
	}
	set := Settings{MaxStrokeRate: s.settings().MaxStrokeRate}
	set.Channels[signal.StrokeEdge] = true
	epochs, transitions := build(set, chunks)
	if len(transitions) == 0 || transitions[0].State != Running {
		t.Fatalf("transitions %v, want running", transitions)
	}
	var e *Epoch
	for i := range epochs {
		if epochs[i].State == Running {
			e = &epochs[i]
		}
	}
	if e == nil {
		t.Fatal("no epoch of running")
	}
	rate := float64(len(truth)-1) / (truth[len(truth)-1] - truth[0])
	if f := e.Features[StrokeRate]; !f.Valid || math.Abs(f.V-rate) > 1e-3*rate {
		t.Errorf("rate %v, want %g", f, rate)
	}
	if f := e.Features[Asymmetry]; !f.Valid || math.Abs(math.Abs(f.V)-s.asymmetry) > 4*f.SE {
		t.Errorf("asymmetry %v, want %g either way", f, s.asymmetry)
	}
	if f := e.Features[Dispersion]; !f.Valid || math.Abs(f.V-s.scatter) > 4*f.SE {
		t.Errorf("dispersion %v, want %g", f, s.scatter)
	}
	if e.Anchored || e.Counter.Valid || e.Features[DipDepth].Valid || e.Features[Ripple].Valid {
		t.Errorf("an epoch of closings alone claims sides, a total or pressures: %+v", e)
	}
}

// TestSwitchBesideWaveform wants the switch's strokes where it works, and the waveform's where it misses some.
func TestSwitchBesideWaveform(t *testing.T) {
	for _, c := range []struct {
		name string
		miss float64
		rms  float64 // s
	}{
		{"good", 0, 3e-4},
		{"misses a tenth", 0.1, 3e-3},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := plain()
			s.noise = 0.01
			chunks, truth := s.make()
			chunks = without(chunks, signal.StrokeCount)
			rng := rand.New(rand.NewPCG(3, 3))
			for _, e := range truth {
				if rng.Float64() >= c.miss {
					chunks = append(chunks, at(signal.StrokeEdge, e-0.012, 0))
				}
			}
			order(chunks)
			set := s.settings()
			set.Channels[signal.StrokeCount], set.Channels[signal.StrokeEdge] = false, true
			o := match(decode(set, chunks, int(s.seconds)), truth, 0.3, s.seconds)
			// The first look comes before the switch's lead is known well: its error is a constant.
			if o.missing+o.extra > 0 {
				t.Errorf("%d of %d strokes missing, %d too many", o.missing, o.strokes, o.extra)
			}
			if o.rms() > c.rms {
				t.Errorf("times are off by %.2g s rms, want at most %.2g", o.rms(), c.rms)
			}
		})
	}
}

// TestSides wants sides from a side signal and from a switch that closes once a cycle, where there is no counter, and beside a
// counter to know which side the signal means.
func TestSides(t *testing.T) {
	base := plain()
	base.seconds, base.asymmetry = 50, 0.05
	chunks, truth := base.make()
	// Stroke i ends at truth[i]; that which ends at the first of a pair of truth of an even total is A.
	var onChange, sampled, once []signal.Chunk
	k := 0
	for i := range truth {
		// The stroke after truth[i]: the side signal is 1 while A runs, and comes a little early.
		onChange = append(onChange, at(signal.SideSignal, truth[i]-0.015, float64(1-base.endsA(truth[i]))))
		if base.endsA(truth[i]) == 1 {
			once = append(once, at(signal.StrokeEdge, truth[i], 0))
		}
	}
	for x := 0.0; x < base.seconds; x += 0.1 {
		for k < len(truth) && truth[k] <= x {
			k++
		}
		if k < len(truth) {
			sampled = append(sampled, at(signal.SideSignal, x, float64(base.endsA(truth[k]))))
		}
	}
	for _, c := range []struct {
		name    string
		add     []signal.Chunk
		counter bool
		channel signal.Channel
		signalA bool
	}{
		{"on change", onChange, false, signal.SideSignal, true},
		{"ten times a second", sampled, false, signal.SideSignal, true},
		{"beside a counter", onChange, true, signal.SideSignal, true},
		{"a switch once a cycle", once, false, signal.StrokeEdge, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			set := base.settings()
			fed := append([]signal.Chunk{}, chunks...)
			if !c.counter {
				fed = without(fed, signal.StrokeCount)
				set.Channels[signal.StrokeCount] = false
			}
			set.Channels[c.channel], set.EdgePerCycle = true, true
			fed = append(fed, c.add...)
			order(fed)
			epochs, _ := build(set, fed)
			if len(epochs) != 1 {
				t.Fatalf("%d epochs, want 1", len(epochs))
			}
			e := epochs[0]
			if !e.Anchored {
				t.Error("the sides are not known")
			}
			if a := e.Features[Asymmetry]; math.Abs(a.V-base.asymmetry) > 4*a.SE {
				t.Errorf("asymmetry %v, want %g", a, base.asymmetry)
			}
			if e.SignalA.Valid != c.signalA || c.signalA && e.SignalA.V != 1 {
				t.Errorf("the side signal means %v, want 1 for A: %v", e.SignalA, c.signalA)
			}
		})
	}
}

// endsA is 1 where the stroke that ends at a true edge is of side A, else 0: an A stroke is the longer one where asymmetry
// is positive.
func (s synth) endsA(at float64) int {
	for k, e := range s.edges(rand.New(rand.NewPCG(s.seed, 7))) {
		if e == at {
			return 1 - k%2
		}
	}
	return 0
}

// TestSilentInlet wants strokes from the discharge where the inlet gives no waveform: nothing at all, readings, or a flat line;
// and from both again when it is back.
func TestSilentInlet(t *testing.T) {
	s := plain()
	s.seconds = 50
	chunks, truth := s.make()
	outlet := without(chunks, signal.AirInletPressure)
	readings := append([]signal.Chunk{}, outlet...)
	for x := 0.5; x < s.seconds; x++ {
		readings = append(readings, at(signal.AirInletPressure, x, s.inlet))
	}
	order(readings)
	flat := append([]signal.Chunk{}, outlet...)
	for x := 0.0; x < s.seconds; x++ {
		rng := rand.New(rand.NewPCG(uint64(x), 1))
		v := make([]float64, int(s.fs))
		for i := range v {
			v[i] = s.inlet * (1 + s.noise*rng.NormFloat64())
		}
		c := at(signal.AirInletPressure, x, 0)
		c.Step, c.Values = time.Duration(1e9/s.fs), v
		flat = append(flat, c)
	}
	order(flat)
	var back []signal.Chunk
	for _, c := range chunks {
		if c.Channel != signal.AirInletPressure || c.Start.Sub(start) < 10*time.Second || c.Start.Sub(start) >= 25*time.Second {
			back = append(back, c)
		}
	}
	for _, c := range []struct {
		name   string
		chunks []signal.Chunk
		lost   int
	}{{"nothing", outlet, 0}, {"readings", readings, 0}, {"flat", flat, 0}, {"gone for a while", back, 2}} {
		t.Run(c.name, func(t *testing.T) {
			epochs, transitions := build(s.settings(), c.chunks)
			strokes := 0
			for _, e := range epochs {
				if e.State == Running {
					strokes += e.Strokes
					if e.Strokes > 20 && (!e.Features[StrokeRate].Valid || math.Abs(e.Features[StrokeRate].V-s.rate) > 4*e.Features[StrokeRate].SE) {
						t.Errorf("rate %v, want %g", e.Features[StrokeRate], s.rate)
					}
					if c.name == "readings" && math.Abs(e.Inlet.V-s.inlet) > 1 {
						t.Errorf("inlet %v, want %g", e.Inlet, s.inlet)
					}
				}
			}
			if len(transitions) == 0 || transitions[0].State != Running {
				t.Errorf("transitions %v, want running", transitions)
			}
			if d := len(truth) - 1 - strokes; d < 0 || d > 2+2*c.lost {
				t.Errorf("%d strokes, want about %d", strokes, len(truth)-1)
			}
		})
	}
}

// TestCounterFacts wants each way in which a counter can fail to show as what it is.
func TestCounterFacts(t *testing.T) {
	cases := []struct {
		name   string
		change func(i int, v float64) float64
		wraps  float64
		check  func(CounterFacts) bool
	}{
		{"sound", func(_ int, v float64) float64 { return v }, 0, func(f CounterFacts) bool {
			return f.Wraps+f.Resets+f.Leaps == 0 && f.Still == 0 && math.Abs(f.Counted-float64(f.Waveform)) <= 1
		}},
		{"wraps", func(_ int, v float64) float64 { return math.Mod(v, 1020) }, 1020, func(f CounterFacts) bool {
			return f.Wraps == 1 && f.Resets+f.Leaps == 0 && math.Abs(f.Counted-float64(f.Waveform)) <= 1
		}},
		{"is reset", func(i int, v float64) float64 {
			if i >= 20 {
				return v - 1060
			}
			return v
		}, 0, func(f CounterFacts) bool { return f.Resets == 1 && f.Wraps+f.Leaps == 0 }},
		{"leaps", func(i int, v float64) float64 {
			if i == 20 {
				return v + 5000
			}
			return v
		}, 0, func(f CounterFacts) bool { return f.Leaps == 1 && f.Resets == 1 }},
		{"freezes", func(i int, v float64) float64 {
			if i >= 10 && i < 30 {
				return 1030
			}
			return v
		}, 0, func(f CounterFacts) bool { return f.Still > 50 && f.Still < 70 }},
		{"misses every second", func(_ int, v float64) float64 { return math.Floor(v / 2) }, 0, func(f CounterFacts) bool {
			return math.Abs(f.Counted/float64(f.Waveform)-0.5) < 0.03
		}},
		{"counts double", func(_ int, v float64) float64 { return 2 * v }, 0, func(f CounterFacts) bool {
			return math.Abs(f.Counted/float64(f.Waveform)-2) < 0.03
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := plain()
			s.seconds = 50
			chunks, truth := s.make()
			set := s.settings()
			set.WrapsAt = c.wraps
			n := 0
			for i := range chunks {
				if chunks[i].Channel == signal.StrokeCount {
					chunks[i].Values = []float64{c.change(n, chunks[i].Values[0])}
					n++
				}
			}
			epochs, _ := build(set, chunks)
			if len(epochs) != 1 {
				t.Fatalf("%d epochs, want 1", len(epochs))
			}
			if f := epochs[0].CounterFacts; int(f.Readings) != n || !c.check(f) {
				t.Errorf("facts of %d readings: %+v", n, f)
			}
			// A counter that fails takes no stroke away.
			if d := len(truth) - epochs[0].Strokes; d < 0 || d > 3 {
				t.Errorf("%d strokes, want about %d", epochs[0].Strokes, len(truth))
			}
		})
	}
}
