package baseline

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var anyOp = rapid.Custom(func(t *rapid.T) Op {
	inlet := rapid.Float64Range(0.5e5, 8e5).Draw(t, "inlet")
	return OpOf(inlet, inlet*rapid.Float64Range(-0.1, 1.1).Draw(t, "share"))
})

func anyTime(t *rapid.T, name string) time.Duration {
	return time.Duration(rapid.Int64Range(0, int64(2000*time.Hour)).Draw(t, name))
}

// TestOpIsFinite gives gauge pressures that transmitters really send, among them a vacuum, a zero that has drifted below
// nothing and a discharge far above the air.
func TestOpIsFinite(t *testing.T) {
	for _, inlet := range []float64{-1.1e5, -1, 0, 1, 0.3e5, 5e5, 1e6} {
		for _, discharge := range []float64{-1e5, 0, 4.9e5, 5e5, 5.2e5, 9e5} {
			op := OpOf(inlet, discharge)
			for i, b := range op.Basis() {
				if math.IsNaN(b) || math.IsInf(b, 0) {
					t.Errorf("inlet %g, discharge %g: basis function %d is %g", inlet, discharge, i, b)
				}
			}
		}
	}
}

// TestOpOfKnownPoints: free flow has no head left to lose, stall has none left to give; twice the absolute pressure is
// ln 2 further.
func TestOpOfKnownPoints(t *testing.T) {
	if free, half, stall := OpOf(5e5, 0).Head, OpOf(5e5, 2.5e5).Head, OpOf(5e5, 5e5).Head; math.Abs(free) > 0.06 || half >= free || stall >= half {
		t.Errorf("heads at free flow, half way and stall: %g, %g, %g", free, half, stall)
	}
	if got := OpOf(2*(3e5+atmosphere)-atmosphere, 0).Air - OpOf(3e5, 0).Air; math.Abs(got-math.Ln2) > 1e-12 {
		t.Errorf("twice the absolute pressure lies %g further, want ln 2", got)
	}
}

func TestKeep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := anyOp.Draw(t, "a"), anyOp.Draw(t, "b"), anyOp.Draw(t, "c")
		first, second := anyTime(t, "first"), anyTime(t, "second")
		if k := Keep(a, a, 0); k != 1 {
			t.Errorf("nothing happened, and the offset is kept by %g", k)
		}
		k := Keep(a, b, first)
		if !(k >= 0 && k <= 1) {
			t.Errorf("correlation %g", k)
		}
		if back := Keep(b, a, first); math.Abs(back-k) > 1e-12 {
			t.Errorf("there %g, back %g", k, back)
		}
		// Time forgets like an Ornstein-Uhlenbeck process: what happens in two steps happens in one.
		if two, one := Keep(a, a, first)*Keep(a, a, second), Keep(a, a, first+second); math.Abs(two-one) > 1e-12 {
			t.Errorf("in two steps %g, in one %g", two, one)
		}
		// A longer way on one straight line never keeps more.
		mid := Op{Head: (a.Head + c.Head) / 2, Air: (a.Air + c.Air) / 2}
		if Keep(a, mid, first) < Keep(a, c, first) {
			t.Errorf("half the way keeps %g, all of it %g", Keep(a, mid, first), Keep(a, c, first))
		}
		if Keep(a, b, -first) != Keep(a, b, 0) {
			t.Error("a clock that went back is not taken as no time")
		}
	})
}
