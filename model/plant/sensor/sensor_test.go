package sensor

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"diastole/model/plant"
)

var begin = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

// running is a one-inch pump at its ordinary duty.
func running(t testing.TB) *plant.Pump {
	t.Helper()
	p, err := plant.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	s := plant.New(p, 1)
	s.Run(4*time.Second, time.Second, nil)
	return s
}

func array(t testing.TB, i ...Instrument) *Array {
	t.Helper()
	a, err := NewArray(1, i...)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// collect runs an array and keeps its messages.
func collect(a *Array, s *plant.Pump, start time.Time, d time.Duration) (out []Chunk) {
	a.Run(s, start, d, func(c Chunk) {
		c.Values = slices.Clone(c.Values)
		out = append(out, c)
	})
	return out
}

func values(chunks []Chunk) (v []float64) {
	for _, c := range chunks {
		v = append(v, c.Values...)
	}
	return v
}

// TestFilter checks the response that defines a Butterworth low-pass of second order: 1 at zero, 1/sqrt 2 at
// the cutoff, 1/sqrt(1+16) at twice it (up to the bilinear transform's warping, exact at the cutoff).
func TestFilter(t *testing.T) {
	gain := func(cutoff, f float64) float64 {
		k := newFilter(cutoff, 1000)
		var peak float64
		for i := range 20000 {
			y := k.step(math.Sin(2 * math.Pi * f * float64(i) / 1000))
			if i > 10000 {
				peak = math.Max(peak, math.Abs(y))
			}
		}
		return peak
	}
	for _, cutoff := range []float64{1, 40, 200} {
		if g := gain(cutoff, cutoff); math.Abs(g-1/math.Sqrt2) > 2e-3 {
			t.Errorf("gain at the cutoff of %g Hz is %.4f", cutoff, g)
		}
	}
	if g := gain(10, 20); math.Abs(g-1/math.Sqrt(17)) > 2e-3 {
		t.Errorf("gain at twice the cutoff is %.4f", g)
	}
	k := newFilter(40, 1000)
	for range 10 {
		if y := k.step(5); math.Abs(y-5) > 1e-12 {
			t.Errorf("a constant comes out as %g", y)
		}
	}
}

// TestWaveform checks blocks, times, noise and resolution.
func TestWaveform(t *testing.T) {
	quiet := Pressure("air_inlet_pressure", 100)
	quiet.Noise, quiet.Resolution = 0, 0
	noisy := Pressure("air_inlet_pressure", 100)
	noisy.Resolution = 100
	a, b := collect(array(t, quiet), running(t), begin, 10*time.Second), collect(array(t, noisy), running(t), begin, 10*time.Second)
	if len(a) != 10 || len(b) != 10 {
		t.Fatalf("%d and %d messages in 10 s", len(a), len(b))
	}
	for i, c := range a {
		if want := begin.Add(time.Duration(i) * time.Second); !c.Start.Equal(want) || c.Step != 10*time.Millisecond || len(c.Values) != 100 || !c.End().Equal(want.Add(time.Second)) {
			t.Errorf("message %d: start %v, step %v, %d values", i, c.Start, c.Step, len(c.Values))
		}
	}
	va, vb := values(a), values(b)
	var sum, square float64
	for i := range va {
		d := vb[i] - va[i]
		sum += d
		square += d * d
		if r := math.Mod(vb[i], 100); math.Abs(r) > 1e-6 && math.Abs(math.Abs(r)-100) > 1e-6 {
			t.Fatalf("%g is no multiple of the resolution", vb[i])
		}
	}
	sd := math.Sqrt(square / float64(len(va)))
	if math.Abs(sd-500) > 40 || math.Abs(sum/float64(len(va))) > 60 {
		t.Errorf("noise has sd %.0f (set 500) and mean %.0f", sd, sum/float64(len(va)))
	}
}

// TestTroubles checks what each trouble does to the readings of one transmitter.
func TestTroubles(t *testing.T) {
	i := Pressure("discharge_pressure", 100)
	i.Noise = 0
	s := running(t)
	a := array(t, i)
	sound := values(collect(a, s, begin, 2*time.Second))

	a.Set("discharge_pressure", Trouble{Stuck: true})
	stuck := values(collect(a, s, begin, 2*time.Second))
	if slices.Max(stuck) != slices.Min(stuck) || stuck[0] != sound[len(sound)-1] {
		t.Errorf("stuck runs from %g to %g", slices.Min(stuck), slices.Max(stuck))
	}
	a.Set("discharge_pressure", Trouble{Offset: 2e5})
	if off := values(collect(a, s, begin, 2*time.Second)); math.Abs(mean(off)-mean(sound)-2e5) > 0.2e5 {
		t.Errorf("an offset of 2 bar moves the mean by %g Pa", mean(off)-mean(sound))
	}
	a.Set("discharge_pressure", Trouble{Silent: 1})
	if none := collect(a, s, begin, 2*time.Second); len(none) != 0 {
		t.Errorf("a silent instrument sends %d messages", len(none))
	}
	a.Set("discharge_pressure", Trouble{Spikes: 5, SpikeSize: 20e5})
	spiked, hits := values(collect(a, s, begin, 20*time.Second)), 0
	for _, v := range spiked {
		if v > 6e5 || v < 0.5e5 {
			hits++
		}
		if v > 10e5 || v < -1e5 {
			t.Fatalf("%g lies outside the range", v)
		}
	}
	if hits < 50 || hits > 110 {
		t.Errorf("%d spikes in 20 s at 5 a second", hits)
	}
	a.Set("suction_pressure", Trouble{Silent: 1}) // has no instrument
	a.Set("discharge_pressure", Trouble{})
	if again := values(collect(a, s, begin, 2*time.Second)); math.Abs(mean(again)-mean(sound)) > 0.2e5 {
		t.Error("the trouble does not end")
	}
}

func mean(v []float64) (sum float64) {
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// TestCounter checks that a counter follows the pump, and how it wraps, freezes, misses and starts anew.
func TestCounter(t *testing.T) {
	last := func(i Instrument, tr Trouble, skip int64) (counted float64, strokes int64) {
		s := running(t)
		a := array(t, i)
		collect(a, s, begin, time.Second)
		s.SkipStrokes(skip)
		from := s.Strokes()
		a.Set("stroke_count", tr)
		v := values(collect(a, s, begin, 31*time.Second))
		if len(v) != 31 {
			t.Fatalf("%d readings in 31 s", len(v))
		}
		for k := 1; k < len(v); k++ {
			if v[k] < v[k-1] && i.WrapsAt == 0 {
				t.Fatalf("the total falls from %g to %g", v[k-1], v[k])
			}
		}
		return v[30], s.Strokes() - from
	}
	plain := Counter()
	n, strokes := last(plain, Trouble{}, 0)
	s := running(t)
	if d := float64(s.Strokes()+strokes) - n; d < 0 || d > 10 {
		t.Errorf("the counter shows %g after %d strokes", n, s.Strokes()+strokes)
	}
	if v, _ := last(Instrument{Channel: "stroke_count", Rate: 1, WrapsAt: 50}, Trouble{}, 0); v < 0 || v >= 50 {
		t.Errorf("a counter that wraps at 50 shows %g", v)
	}
	if v, _ := last(Instrument{Channel: "stroke_count", Rate: 1, PerCycle: true}, Trouble{}, 0); math.Abs(v-n/2) > 1 {
		t.Errorf("cycles: %g, strokes: %g", v, n)
	}
	if v, _ := last(Instrument{Channel: "stroke_count", Rate: 1, Float32: true}, Trouble{}, 1<<26); math.Mod(v, 4) != 0 {
		t.Errorf("beyond 2^24 single precision holds no odd totals, yet it shows %.0f", v)
	}
	if v, _ := last(plain, Trouble{Stuck: true}, 1000); v > 20 {
		t.Errorf("a frozen counter shows %g", v)
	}
	if v, since := last(plain, Trouble{Reset: true}, 0); v > float64(since)+1 || v < float64(since)-10 {
		t.Errorf("a counter that was reset %d strokes ago shows %g", since, v)
	}
	missed, _ := last(plain, Trouble{Missed: 0.3}, 0)
	chatter, _ := last(plain, Trouble{Chatter: 0.3}, 0)
	if !(missed < n-15 && chatter > n+15) {
		t.Errorf("of %g strokes 30 %% missed give %g, 30 %% twice give %g", n, missed, chatter)
	}
}

// TestEdges checks that every stroke sends its time, on the same clock as the waveforms: the spool passes
// its middle at that time.
func TestEdges(t *testing.T) {
	s := running(t)
	from := s.Strokes()
	edges := collect(array(t, Instrument{Channel: "stroke_edge"}), s, begin, 10*time.Second)
	if got := int64(len(edges)); got != s.Strokes()-from {
		t.Errorf("%d edges for %d strokes", got, s.Strokes()-from)
	}
	sides := values(collect(array(t, Instrument{Channel: "side_signal", Rate: 1000}), running(t), begin, 10*time.Second))
	for _, e := range edges {
		k := int(e.Start.Sub(begin).Seconds() * 1000)
		if k < 1 || k+2 >= len(sides) {
			continue
		}
		if sides[k-1] == sides[k+2] {
			t.Errorf("no change of side at the edge at %v", e.Start.Sub(begin))
		}
	}
	a := array(t, Instrument{Channel: "stroke_edge"})
	a.Set("stroke_edge", Trouble{Chatter: 1})
	if twice := collect(a, running(t), begin, 10*time.Second); len(twice) != 2*len(edges) {
		t.Errorf("%d edges when each chatters, %d when none does", len(twice), len(edges))
	}
}

// TestOnChange checks that a deadband silences a quiet signal and keeps a moving one within it.
func TestOnChange(t *testing.T) {
	i := Instrument{Channel: "air_inlet_pressure", Rate: 10, Deadband: 0.05e5}
	s := running(t)
	moving := collect(array(t, i), s, begin, 10*time.Second)
	pr := s.Process()
	pr.DeadHead = true
	s.Set(plant.Faults{}, pr)
	s.Run(20*time.Second, time.Second, nil)
	quiet := collect(array(t, i), s, begin, 10*time.Second)
	if len(quiet) != 1 || len(moving) < 5 || len(moving) >= 100 {
		t.Errorf("%d readings when moving, %d when quiet", len(moving), len(quiet))
	}
	for k := 1; k < len(moving); k++ {
		if math.Abs(moving[k].Values[0]-moving[k-1].Values[0]) <= 0.05e5 {
			t.Error("a reading within the deadband was sent")
		}
	}
}

// TestAirMeter checks that the meter's mean is the air that went in.
func TestAirMeter(t *testing.T) {
	s := running(t)
	before := s.Totals().AirIn
	v := values(collect(array(t, AirMeter(8e-3)), s, begin, 60*time.Second))
	want := (s.Totals().AirIn - before) / 1.185 / 60 // kg/m3 at ANR (ISO 8778)
	if len(v) != 600 || math.Abs(mean(v)/want-1) > 0.01 {
		t.Errorf("%d readings, mean %g, went in %g m3/s", len(v), mean(v), want)
	}
}

// TestValidate checks what an instrument may not be.
func TestValidate(t *testing.T) {
	for _, c := range []struct {
		i    Instrument
		want string
	}{
		{Instrument{Channel: "colour", Rate: 1}, "stroke_count"},
		{Instrument{Channel: "air_flow", Rate: 0}, "multiple"},
		{Instrument{Channel: "air_flow", Rate: 300}, "multiple"},
		{Instrument{Channel: "air_flow", Rate: 10, Cutoff: 600}, "below 500"},
		{Instrument{Channel: "air_flow", Rate: 10, Noise: -1}, "zero or more"},
		{Instrument{Channel: "air_flow", Rate: 10, Noise: math.NaN()}, "zero or more"},
		{Instrument{Channel: "air_flow", Rate: 10, Deadband: 1, Block: 5}, "on change"},
		{Instrument{Channel: "air_flow", Rate: 10, Low: 2, High: 1}, "low <= high"},
	} {
		if _, err := NewArray(1, c.i); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v gives %v, want %q in it", c.i, err, c.want)
		}
	}
}

// TestPost checks that a link loses, doubles and delays as often as it says, and delivers in order of
// arrival.
func TestPost(t *testing.T) {
	const n = 20000
	p := NewPost(1, Link{Delay: 10 * time.Millisecond, Spread: 50 * time.Millisecond, Lost: 0.1, Doubled: 0.05, Late: 0.2, Lateness: 5 * time.Second})
	seen := map[float64]int{}
	var last time.Time
	disorder, messages := 0, 0
	highest := -1.0
	take := func(m Message) {
		if m.Arrival.Before(last) {
			t.Fatal("arrivals run backward")
		}
		last = m.Arrival
		seen[m.Values[0]]++
		messages++
		if m.Values[0] < highest {
			disorder++
		}
		highest = math.Max(highest, m.Values[0])
	}
	for k := range n {
		at := begin.Add(time.Duration(k) * time.Second)
		p.Send(at, Chunk{Channel: "x", Start: at, Values: []float64{float64(k)}})
		p.Deliver(at, take)
	}
	p.Deliver(begin.Add(2*n*time.Second), take)
	if p.Pending() != 0 {
		t.Errorf("%d messages never arrive", p.Pending())
	}
	if lost := n - len(seen); lost < n*9/100 || lost > n*11/100 {
		t.Errorf("%d of %d lost at a chance of 0.1", lost, n)
	}
	if twice := messages - len(seen); twice < n*4/100 || twice > n*5/100 {
		t.Errorf("%d of %d came twice at a chance of 0.05 of those not lost", twice, n)
	}
	if disorder == 0 {
		t.Error("late messages come in order")
	}
}

func BenchmarkArray(b *testing.B) {
	s := running(b)
	a := array(b, Pressure("air_inlet_pressure", 100), Pressure("discharge_pressure", 100), Counter(), AirMeter(8e-3))
	b.ReportAllocs()
	for b.Loop() {
		a.Run(s, begin, time.Second, func(Chunk) {})
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
}
