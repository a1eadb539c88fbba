package stroke

import (
	"bytes"
	"encoding/gob"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// hop is how many seconds are pushed at a time, as the caller does.
const hop = 3

// decode runs whole pressures on a grid of step through a decoder and returns its edges. between may look at the decoder, or
// change it for another, after each look.
func decode(inlet, discharge []float32, step, minStroke float64, between func(*Decoder) *Decoder) []Edge {
	d := &Decoder{}
	d.Begin(step, minStroke)
	var out []Edge
	n := max(len(inlet), len(discharge))
	part := func(x []float32, i, j int) []float32 {
		if x == nil {
			return nil
		}
		return x[i:j]
	}
	for i := 0; i < n; {
		j := min(i+int(hop/step), n)
		d.Push(part(inlet, i, j), part(discharge, i, j), j == n)
		edges, settled := d.Find(Counter{}, j == n)
		out = append(out, edges[:settled]...)
		if between != nil {
			d = between(d)
		}
		i = j
	}
	return out
}

// beat is a made-up pump: dips of the inlet and sags of the discharge at edges, with noise of both, Pa.
func beat(edges []float64, dip [2]float64, noise, step, seconds float64, seed uint64) (inlet, discharge []float32) {
	rng := rand.New(rand.NewPCG(seed, 1))
	for i := range int(seconds / step) {
		t := float64(i) * step
		in, out := 5e5, 4e5
		for k, e := range edges {
			if u := t - e; u > -0.1 && u < 1 {
				switch {
				case u > 0.0075:
					in -= dip[k%2] * math.Exp(-(u-0.0075)/0.025)
				case u > -0.0075:
					in -= dip[k%2] * (1 + math.Sin(math.Pi*u/0.015)) / 2
				}
				if u > 0 {
					out -= 7e4 * (u / 0.06) * (u / 0.06) * math.Exp(2*(1-u/0.06))
				}
			}
		}
		inlet = append(inlet, float32(in+noise*rng.NormFloat64()))
		discharge = append(discharge, float32(out+noise*rng.NormFloat64()))
	}
	return inlet, discharge
}

// every gives edges at even distances with a scatter, s.
func every(period, scatter, seconds float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 2))
	var out []float64
	for t := 0.4 * period; t < seconds; t += period * (1 + scatter*rng.NormFloat64()) {
		out = append(out, t)
	}
	return out
}

// check wants found edges to be the true ones, with sides that alternate, and returns the rms of their times about the mean, s.
func check(t *testing.T, found []Edge, truth []float64) float64 {
	t.Helper()
	if len(found) != len(truth) {
		t.Errorf("%d edges, want %d", len(found), len(truth))
		return math.NaN()
	}
	var sum, square float64
	for i, e := range found {
		off := e.At - truth[i]
		if math.Abs(off) > 0.03 {
			t.Errorf("edge %d is found at %.3f s, want %.3f", i, e.At, truth[i])
		}
		if i > 0 && e.Side == found[i-1].Side {
			t.Errorf("edges %d and %d have the same side", i-1, i)
		}
		sum += off
		square += off * off
	}
	n := float64(len(found))
	return math.Sqrt(max(square/n-sum/n*sum/n, 0))
}

func TestDecoder(t *testing.T) {
	const seconds = 32.0
	// A valve is turned at 15 s: the rate rises from 3 to 4.5 strokes a second within a second and a half, then falls at once.
	var changing []float64
	for x := 0.2; x < seconds; {
		changing = append(changing, x)
		switch {
		case x < 15:
			x += 1.0 / 3
		case x < 25:
			x += 1 / (3 + min(x-15, 1.5))
		default:
			x += 1.0 / 2.5
		}
	}
	// A hang of 2 s, and strokes that hurry after it.
	hang := every(0.3, 0.005, 12, 1)
	for _, gap := range []float64{2, 0.2, 0.22, 0.25, 0.28} {
		hang = append(hang, hang[len(hang)-1]+gap)
	}
	for last := hang[len(hang)-1]; last+0.3 < seconds-0.2; last += 0.3 {
		hang = append(hang, last+0.3)
	}
	for _, c := range []struct {
		name  string
		edges []float64
		dip   [2]float64
		noise float64
		rms   float64 // s
	}{
		{"even", every(0.3, 0.007, seconds, 1), [2]float64{3e4, 3e4}, 1000, 0.002},
		{"noisy", every(0.3, 0.007, seconds, 2), [2]float64{3e4, 3e4}, 5000, 0.006},
		{"one dip six times smaller", every(0.3, 0.007, seconds, 3), [2]float64{3e4, 5e3}, 500, 0.003},
		{"rate changes", changing, [2]float64{3e4, 3e4}, 1000, 0.002},
		{"after a hang", hang, [2]float64{3e4, 3e4}, 1000, 0.002},
	} {
		t.Run(c.name, func(t *testing.T) {
			inlet, discharge := beat(c.edges, c.dip, c.noise, 0.01, seconds, 7)
			if rms := check(t, decode(inlet, discharge, 0.01, 0.05, nil), c.edges); rms > c.rms {
				t.Errorf("times are off by %.4f s rms, want at most %.4f", rms, c.rms)
			}
		})
	}
	t.Run("discharge alone", func(t *testing.T) {
		edges := every(0.3, 0.007, seconds, 4)
		_, discharge := beat(edges, [2]float64{}, 1000, 0.01, seconds, 7)
		found := decode(nil, discharge, 0.01, 0.05, nil)
		if d := len(edges) - len(found); d < 0 || d > 1 {
			t.Errorf("%d edges, want %d", len(found), len(edges))
		}
	})
}

// TestRegulatorIsNoStroke wants nothing of an inlet that only falls and rises slowly, and of noise.
func TestRegulatorIsNoStroke(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	var inlet, discharge []float32
	for i := range 6000 {
		inlet = append(inlet, float32(5e5+3e4*math.Sin(float64(i)/150)+1000*rng.NormFloat64()))
		discharge = append(discharge, float32(4e5+1000*rng.NormFloat64()))
	}
	if found := decode(inlet, discharge, 0.01, 0.05, nil); len(found) > 0 {
		t.Errorf("%d edges where there is none, the first at %.2f s", len(found), found[0].At)
	}
}

// TestStateIsAll stores a decoder after every look and goes on with another.
func TestStateIsAll(t *testing.T) {
	inlet, discharge := beat(every(0.27, 0.02, 40, 5), [2]float64{3e4, 1e4}, 2000, 0.005, 40, 3)
	want := decode(inlet, discharge, 0.005, 0.05, nil)
	got := decode(inlet, discharge, 0.005, 0.05, func(d *Decoder) *Decoder {
		var stored bytes.Buffer
		if err := gob.NewEncoder(&stored).Encode(d.State); err != nil {
			t.Fatal(err)
		}
		if stored.Len() > 200e3 {
			t.Errorf("the state takes %d bytes", stored.Len())
		}
		next := &Decoder{}
		if err := gob.NewDecoder(&stored).Decode(&next.State); err != nil {
			t.Fatal(err)
		}
		return next
	})
	if len(want) < 100 {
		t.Fatalf("only %d edges to compare", len(want))
	}
	if d := cmp.Diff(want, got, cmp.AllowUnexported(Edge{}), cmpopts.EquateNaNs()); d != "" {
		t.Errorf("a restored decoder goes on differently (-want +got):\n%s", d)
	}
}

// TestNoAllocation wants none in steady state.
func TestNoAllocation(t *testing.T) {
	const step = 0.01
	inlet, discharge := beat(every(0.3, 0.01, 60, 5), [2]float64{3e4, 3e4}, 2000, step, 60, 3)
	d := &Decoder{}
	d.Begin(step, 0.05)
	i := 0
	look := func() {
		j := i + int(hop/step)
		d.Push(inlet[i:j], discharge[i:j], false)
		d.Find(Counter{}, false)
		i = j % (len(inlet) - int(hop/step))
	}
	for range 30 {
		look()
	}
	if n := testing.AllocsPerRun(100, look); n > 0 {
		t.Errorf("%g allocations a look", n)
	}
}

// TestTemplateAtTheEnds wants a dip that the samples do not hold whole to teach nothing.
func TestTemplateAtTheEnds(t *testing.T) {
	inlet, _ := beat(every(0.3, 0.007, 3, 1), [2]float64{3e4, 3e4}, 1000, 0.01, 3, 1)
	d := &Decoder{}
	d.Begin(0.01, 0.05)
	d.In.X = inlet
	var template Template
	template.begin(d, 12, 4)
	if template.N != 1 {
		t.Fatal("no template")
	}
	for place := -5.0; place < float64(len(inlet)+5); place += 0.3 {
		before := template.N
		template.learn(inlet, place, 4)
		_, _, whole := template.samples(inlet, place, 4, template.Zero, len(template.X)-1-template.Zero)
		if learned := template.N > before; learned != whole {
			t.Errorf("at %g, where the samples hold it whole: %v, the template learned: %v", place, whole, learned)
		}
	}
}

// TestAnythingIsTaken feeds what no pump makes: the decoder must not panic, its edges must ascend and its memory stay bounded.
func TestAnythingIsTaken(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := rapid.Float64Range(0.005, 0.04).Draw(t, "step")
		d := &Decoder{}
		d.Begin(step, rapid.Float64Range(0.03, 0.2).Draw(t, "shortest stroke"))
		last := math.Inf(-1)
		value := rapid.OneOf(rapid.Float32Range(0, 1e6), rapid.Just(float32(math.NaN())), rapid.Float32Range(4e5, 4.01e5))
		for range rapid.IntRange(1, 12).Draw(t, "looks") {
			n := rapid.IntRange(0, 400).Draw(t, "samples")
			x := make([]float32, n)
			base, period := value.Draw(t, "base"), rapid.IntRange(2, 90).Draw(t, "period")
			for i := range x {
				x[i] = base
				if i%period == 0 {
					x[i] = value.Draw(t, "peak")
				}
			}
			in, out := x, x
			switch rapid.IntRange(0, 2).Draw(t, "channels") {
			case 0:
				in = nil
			case 1:
				out = nil
			}
			final := rapid.IntRange(0, 9).Draw(t, "final") == 0
			d.Push(in, out, final)
			edges, settled := d.Find(Counter{Strokes: 5, SE: 1}, final)
			for _, e := range edges[:settled] {
				if !(e.At > last) {
					t.Fatalf("an edge at %g s follows one at %g s", e.At, last)
				}
				last = e.At
			}
			if len(d.In.X) > int(30/step)+400 {
				t.Fatalf("%d samples are held", len(d.In.X))
			}
			if final {
				return
			}
		}
	})
}
