package plant

import (
	"math"
	"strconv"
	"testing"
	"time"
)

// leastSpeed is how many times faster than real time one core must run the one-inch pump.
const leastSpeed = 300

// rootTime is what a dependent division and square root take on the class of core that leastSpeed is meant for, s: measured
// on a server core of 2026, beside which the pump ran 530 times faster than real time.
const rootTime = 12e-9

// TestSpeed holds the speed as a ratio, so that it means the same on any machine and beside other work: a second of the
// one-inch pump, looked at 100 times, may cost what the square roots of a 300th of a second cost. The best of many short
// stretches counts.
func TestSpeed(t *testing.T) {
	if testing.CoverMode() != "" || raceEnabled {
		t.Skip("instrumented code is slower")
	}
	if strconv.IntSize < 64 {
		t.Skip("32-bit programs here compute in other registers; the bar is for gateways of today")
	}
	p := generic(t, oneInch)
	s := New(p, 1)
	s.Run(3*time.Second, time.Second, nil)
	const cycle = 600 * time.Millisecond
	var last Sample
	pump, root := math.Inf(1), math.Inf(1)
	x := 1.0
	for range 200 {
		began := time.Now()
		s.Run(cycle, 10*time.Millisecond, func(v Sample) { last = v })
		pump = min(pump, time.Since(began).Seconds()/cycle.Seconds())
		began = time.Now()
		const roots = 50000
		for range roots {
			x = math.Sqrt(1 + 1/x)
		}
		root = min(root, time.Since(began).Seconds()/roots)
	}
	t.Logf("%.0f times real time, step %.0f us, %.0f ns a step; a root takes %.1f ns", 1/pump, p.Step*1e6, pump*p.Step*1e9, root*1e9)
	if last.Strokes == 0 || math.IsNaN(x) {
		t.Fatal("nothing ran")
	}
	if speed := root / rootTime / pump; speed < leastSpeed {
		t.Errorf("%.0f times real time on a core of that class, want %d", speed, leastSpeed)
	}
}
