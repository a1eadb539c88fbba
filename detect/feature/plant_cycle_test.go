package feature

import (
	"math"
	"testing"
	"time"

	"diastole/detect/cycle"
	"diastole/model/pump"
)

// firstEpoch is the first epoch of a simulated pump.
func firstEpoch(t *testing.T, model string, f pump.Fault, fs, noise float64) Epoch {
	t.Helper()
	const seconds = 30
	chunks, _ := simulate(t, model, f, 1, fs, noise, seconds, 3)
	b := NewBuilder(modelSettings(t, model))
	for _, c := range chunks {
		b.Push(c)
	}
	b.Advance(start.Add(2 * seconds * time.Second))
	e, _ := b.Take()
	if len(e) == 0 {
		t.Fatalf("%s at %g Hz: no epoch", model, fs)
	}
	return e[0]
}

// orderError is the largest vector difference of an order, over the root mean square of the true wave.
func orderError(got, want cycle.Wave) float64 {
	a, b := got.Orders(), want.Orders()
	worst := 0.0
	for k := range b {
		re := a[k].Amplitude*math.Cos(a[k].Phase) - b[k].Amplitude*math.Cos(b[k].Phase)
		im := a[k].Amplitude*math.Sin(a[k].Phase) - b[k].Amplitude*math.Sin(b[k].Phase)
		worst = max(worst, math.Hypot(re, im)/math.Sqrt(2*want.Synchronous()))
	}
	return worst
}

// TestCycleOfPlant wants the orders of a noisy pump sampled at 100 and 200 Hz to be those of the same strokes sampled at 1 kHz
// without noise, and no mean cycle where a stroke has too few samples for one.
func TestCycleOfPlant(t *testing.T) {
	for _, c := range []struct {
		model string
		fault pump.Fault
	}{
		{"generic-quarter-inch", ""}, {"generic-one-inch", ""}, {"generic-one-inch", pump.CheckValveLeak}, {"generic-one-inch", pump.PilotValveSlow},
	} {
		truth := firstEpoch(t, c.model, c.fault, 1000, 0)
		for _, fs := range []float64{100, 200} {
			e := firstEpoch(t, c.model, c.fault, fs, 0.003)
			if e.Tier != TierWaveform || e.Cycle == nil || !e.Anchored || !e.Jitter.Valid {
				t.Errorf("%s %s at %g Hz: tier %v, cycle %v", c.model, c.fault, fs, e.Tier, e.Cycle)
				continue
			}
			in, out := orderError(e.Cycle.Inlet, truth.Cycle.Inlet), orderError(e.Cycle.Discharge, truth.Cycle.Discharge)
			share := math.Abs(e.Cycle.ShareA - truth.Cycle.ShareA)
			t.Logf("%s %s at %g Hz: orders off by %.2f %% (inlet) and %.2f %% (discharge) of the rms, share of A by %.4f",
				c.model, c.fault, fs, 100*in, 100*out, share)
			if in > 0.025 || out > 0.025 || share > 0.003 {
				t.Errorf("%s %s at %g Hz: the mean cycle is off", c.model, c.fault, fs)
			}
		}
	}
	e := firstEpoch(t, "generic-quarter-inch", "", 50, 0.003)
	if e.Tier != TierCoarse || e.Cycle != nil || e.Jitter.Valid {
		t.Errorf("11 samples a stroke: tier %v, cycle %v, jitter %v; want coarse and neither", e.Tier, e.Cycle, e.Jitter)
	}
}
