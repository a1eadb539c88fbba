package diagnose

import (
	"math"
	"testing"
	"time"

	"diastole/detect/feature"
	"diastole/model/pump"
)

func leakBoth(t *testing.T) *Hypothesis {
	t.Helper()
	hs := hypotheses(t)
	for i := range hs {
		if hs[i].Fault == pump.CheckValveLeak && hs[i].Side == pump.SideBoth {
			return &hs[i]
		}
	}
	t.Fatal("no leak of both strokes is followed")
	return nil
}

func stalls(at time.Time, strokes ...int) *Stalls {
	var s Stalls
	for i, n := range strokes {
		s.Add(Stall{At: at.Add(time.Duration(i) * time.Hour), Seconds: 12, Strokes: n})
	}
	return &s
}

// TestCreepSpeaksForLeaksOfBothStrokes: with one leaking check the pump makes at most one stroke against a shut valve and stalls;
// it creeps where leaks serve both strokes (volume balance; a simulation of a one-inch pump gives 41 strokes a minute with two
// checks of 10 mm2, which let it run at 224 in place of 200).
func TestCreepSpeaksForLeaksOfBothStrokes(t *testing.T) {
	h := leakBoth(t)
	const rate = 200.0 / 60
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	evidence := func(k int, s *Stalls) float64 { return s.creepEvidence(h, &h.Effects[k], rate, at.Add(5*time.Hour)) }
	best := func(s *Stalls) float64 {
		nats := evidence(0, s)
		for k := range h.Effects {
			nats = max(nats, evidence(k, s))
		}
		return nats
	}
	published := int(math.Round(41.0 / 60 * 12))
	one := best(stalls(at, published))
	if one < 1.5 {
		t.Errorf("a stall with %d strokes in 12 s: %.1f nats", published, one)
	}
	two := best(stalls(at, published, published+1))
	if two <= one {
		t.Errorf("a second creeping stall: %.1f nats after %.1f", two, one)
	}
	if bound := -math.Log((&Stalls{}).weeps()) + 3; two > bound {
		t.Errorf("two creeping stalls: %.1f nats; that the valve weeps would explain them at a price of %.1f", two, bound)
	}
	for _, quiet := range []*Stalls{stalls(at, 0, 0, 0), stalls(at, 1, 0, 1)} {
		if x := evidence(3, quiet); x > -0.5 {
			t.Errorf("pumps that stall with %v: %.1f nats for a leak of size %g", quiet.Recent, x, h.Effects[3].Size)
		}
	}
	if x := evidence(3, stalls(at.Add(-10*24*time.Hour), published, published)); x != 0 {
		t.Errorf("stalls of ten days ago say %.1f nats of today", x)
	}
	for i := range hypotheses(t) {
		o := &hypotheses(t)[i]
		if o.Fault == pump.CheckValveLeak && o.Side == pump.SideBoth {
			continue
		}
		if x := stalls(at, published).creepEvidence(o, &o.Effects[0], rate, at); x != 0 {
			t.Errorf("a creeping stall: %.1f nats for %s%s %s", x, o.Fault, o.Cause, o.Side)
		}
	}
}

// TestWeepingValve: where the healthy pump has crept against its valve too, creeping says less, and at last nothing.
func TestWeepingValve(t *testing.T) {
	h := leakBoth(t)
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	before := math.Inf(1)
	for creeping := range 6 {
		s := stalls(at, 8, 8)
		for range creeping {
			s.Learn(Stall{Seconds: 12, Strokes: 8})
		}
		x := s.creepEvidence(h, &h.Effects[3], 3, at)
		if x >= before || x < -1 {
			t.Errorf("after %d creeping stalls of the healthy pump: %.2f nats, before %.2f", creeping, x, before)
		}
		before = x
		if got, want := s.Usual(), creeping > 0; got != want {
			t.Errorf("%d creeping stalls and no other: usual %t", creeping, got)
		}
	}
}

// TestStallOf: a stall is a pump at rest with the air pressure at its discharge, or one that strokes with no pressure to spare.
func TestStallOf(t *testing.T) {
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	epoch := func(s feature.State, margin float64, seconds int) *feature.Epoch {
		return &feature.Epoch{
			Start: at, End: at.Add(time.Duration(seconds) * time.Second), State: s, Strokes: 7,
			Inlet: feature.Value{V: 5e5, Valid: true}, Discharge: feature.Value{V: 5e5 - margin, Valid: true},
		}
	}
	for _, c := range []struct {
		e    *feature.Epoch
		want bool
	}{
		{epoch(feature.Stalled, 0, 12), true},
		{epoch(feature.Running, 0.05e5, 12), true},
		{epoch(feature.Running, -0.1e5, 12), true},
		{epoch(feature.Running, 0.2e5, 12), false},
		{epoch(feature.Stalled, 0, 2), false},
		{epoch(feature.NotStroking, 3e5, 12), false},
		{epoch(feature.Off, 0, 12), false},
		{&feature.Epoch{Start: at, End: at.Add(12 * time.Second), State: feature.Running}, false},
	} {
		s, ok := StallOf(c.e)
		if ok != c.want || ok && (s.Strokes != 7 || s.Seconds != 12 || !s.At.Equal(c.e.End)) {
			t.Errorf("%s, discharge %.2f bar below the inlet: %+v, %t", c.e.State, (c.e.Inlet.V-c.e.Discharge.V)/1e5, s, ok)
		}
	}
}
