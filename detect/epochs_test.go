package detect

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// levels are the coordinates of an ordinary healthy pump without a flow meter, and the noise of an epoch about them
// (common practice).
var levels = map[feature.ID][2]float64{
	feature.StrokeRate:      {0.6, 0.01},
	feature.Asymmetry:       {0.02, 0.003},
	feature.Dispersion:      {-4.2, 0.15},
	feature.Hesitation:      {-3.6, 0.25},
	feature.Ripple:          {-1.6, 0.02},
	feature.RippleAsymmetry: {-0.02, 0.01},
	feature.DipDepth:        {-2.8, 0.03},
	feature.DipWidth:        {-3.3, 0.05},
}

// epochAt is a minute of a healthy pump, with a shift of its coordinates.
func epochAt(at time.Time, rng *rand.Rand, shift baseline.Vector) feature.Epoch {
	e := feature.Epoch{
		Start: at, End: at.Add(time.Minute), State: feature.Running, Strokes: 110, Anchored: true,
		Inlet: feature.Value{V: 5e5, Valid: true}, Discharge: feature.Value{V: 3.5e5, Valid: true},
	}
	for f := range feature.NumFeatures {
		if l, formed := levels[f]; formed {
			e.Features[f] = feature.Value{V: baseline.Natural(f, l[0]+shift[f]+l[1]*rng.NormFloat64()), Valid: true}
		}
	}
	return e
}

// hourly is a monitor that gets an epoch an hour.
type hourly struct {
	*Monitor
	rng *rand.Rand
	at  time.Time
}

func newHourly(t testing.TB, seed uint64, learn LearnSettings) *hourly {
	t.Helper()
	set := watched(t)
	set.Learn = learn
	return &hourly{Monitor: New(set), rng: rand.New(rand.NewPCG(seed, 42)), at: begin}
}

// hour folds the epoch of the next hour, and returns what was found apart from the epoch itself.
func (h *hourly) hour(shift baseline.Vector) []Finding {
	return h.next(epochAt(h.at, h.rng, shift))
}

// next folds a given epoch as the next hour's.
func (h *hourly) next(e feature.Epoch) (found []Finding) {
	h.at = h.at.Add(time.Hour)
	h.epoch(&e)
	for _, f := range h.Take() {
		if f.Kind != EpochDone && f.Kind != FaultWorn {
			found = append(found, f)
		}
	}
	return found
}

// until folds hours until something of a kind is found, and returns it with the number of hours that it took. What is found
// on the way must be of the kinds that are allowed.
func (h *hourly) until(t *testing.T, want Kind, most int, shift func() baseline.Vector, allowed ...Kind) (Finding, int) {
	t.Helper()
	for n := 1; n <= most; n++ {
		for _, f := range h.hour(shift()) {
			if f.Kind == want {
				return f, n
			}
			if !slices.Contains(allowed, f.Kind) {
				t.Fatalf("hour %d: %s while waiting for %s", n, f.Kind, want)
			}
		}
	}
	t.Fatalf("no %s within %d hours", want, most)
	return Finding{}, 0
}

// sticking draws what a spool that hangs in one stroke of six does to an epoch: its signature, and what it scatters.
func (h *hourly) sticking() baseline.Vector {
	for _, x := range h.settings.Hypotheses {
		if x.Fault != pump.AirValveSticking {
			continue
		}
		e := x.Effects[3] // of size 0.8
		for j := range e.Mean {
			e.Mean[j] += e.Scatter[j] * h.rng.NormFloat64()
		}
		return e.Mean
	}
	panic("no signature of a sticking valve")
}

// healthy is no shift.
func (h *hourly) healthy() baseline.Vector { return baseline.Vector{} }
