package feature

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/signal"
)

// slowReadings are readings once a second of a pump that strokes at a rate, 1/s, with 4 L/s of air and 0.9 L/s of liquid.
func slowReadings(seconds int, rate float64) []signal.Chunk {
	rng := rand.New(rand.NewPCG(9, 10))
	var chunks []signal.Chunk
	for i := range seconds {
		at := start.Add(time.Duration((float64(i) + 0.02*rng.Float64()) * 1e9))
		for ch, v := range map[signal.Channel]float64{
			signal.AirInletPressure: 5e5 + 2000*rng.NormFloat64(), signal.DischargePressure: 4.2e5 + 2000*rng.NormFloat64(),
			signal.StrokeCount: math.Floor(1000 + rate*float64(i)), signal.AirFlow: 0.004 * (1 + 0.02*rng.NormFloat64()), signal.LiquidFlow: 0.0009 * (1 + 0.02*rng.NormFloat64()),
		} {
			chunks = append(chunks, signal.Chunk{Channel: ch, Start: at, Values: []float64{v}})
		}
	}
	order(chunks)
	return chunks
}

// TestTierErrors holds what each tier says of its errors against the same strokes sampled at 500 Hz without noise, and wants
// nothing to be formed that a tier does not claim.
func TestTierErrors(t *testing.T) {
	for _, model := range []string{"generic-quarter-inch", "generic-one-inch"} {
		truth := firstEpoch(t, model, "", 500, 0)
		for fs, want := range map[float64]Tier{50: TierCoarse, 100: TierWaveform} {
			e := firstEpoch(t, model, "", fs, 0.003)
			if e.Tier != want {
				t.Fatalf("%s at %g Hz: tier %v, want %v", model, fs, e.Tier, want)
			}
			for id := range NumFeatures {
				bound, formed := id.TierError(want)
				got := e.Features[id]
				if got.Valid != formed {
					t.Errorf("%s at %g Hz: %v is valid %v, the tier says %v", model, fs, id, got.Valid, formed)
				}
				if off := math.Abs(got.V - truth.Features[id].V); off > bound+2*got.SE {
					t.Errorf("%s at %g Hz: %v is off by %.3g, the tier says at most %.3g beyond 2 x %.2g", model, fs, id, off, bound, got.SE)
				}
			}
		}
	}
}

// TestTelemetryInventsNothing wants of readings once a second exactly what the tier claims.
func TestTelemetryInventsNothing(t *testing.T) {
	chunks := slowReadings(90, 2.7)
	b := NewBuilder(plain().settings())
	for _, c := range chunks {
		b.Push(c)
	}
	b.Advance(start.Add(5 * time.Minute))
	epochs, _ := b.Take()
	found := false
	for _, e := range epochs {
		if e.State != Running {
			continue
		}
		found = true
		if e.Tier != TierTelemetry || e.Cycle != nil || e.Jitter.Valid || e.Air[AirVirtual].Valid || e.Air[AirFilling].Valid {
			t.Errorf("tier %v, cycle %v, jitter %v, air %v", e.Tier, e.Cycle, e.Jitter, e.Air)
		}
		for id := range NumFeatures {
			if _, formed := id.TierError(TierTelemetry); e.Features[id].Valid && !formed {
				t.Errorf("%v is formed from readings", id)
			}
		}
		if !e.Air[AirMetered].Valid || !e.LiquidPerStroke.Valid || math.Abs(e.Air[AirMetered].V*2.7-0.004) > 1e-4 || math.Abs(e.LiquidPerStroke.V*2.7-0.0009) > 3e-5 {
			t.Errorf("air per stroke %v, liquid per stroke %v", e.Air[AirMetered], e.LiquidPerStroke)
		}
	}
	if !found {
		t.Errorf("no running epoch: %v", epochs)
	}
}

// TestStandstill wants creep and air of a pump that stands under pressure and creeps a stroke each nine seconds.
func TestStandstill(t *testing.T) {
	chunks := slowReadings(240, 1.0/9)
	for i := range chunks {
		if chunks[i].Channel == signal.DischargePressure {
			chunks[i].Values[0] = 5e5
		}
	}
	b := NewBuilder(plain().settings())
	for _, c := range chunks {
		b.Push(c)
	}
	b.Advance(start.Add(10 * time.Minute))
	epochs, _ := b.Take()
	stalled := 0
	for _, e := range epochs {
		if e.State != Stalled || e.End.Sub(e.Start) < 30*time.Second {
			continue
		}
		stalled++
		if !e.Creep.Valid || math.Abs(e.Creep.V-1.0/9) > 2*e.Creep.SE || !e.StallAir.Valid || math.Abs(e.StallAir.V-0.004) > 1e-4 {
			t.Errorf("creep %v, air %v", e.Creep, e.StallAir)
		}
	}
	if stalled == 0 {
		t.Errorf("no stalled epoch: %v", epochs)
	}
}
