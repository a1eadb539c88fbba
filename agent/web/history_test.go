package web

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"diastole/detect/feature"
)

// TestSteps: a lasting change against what is expected is dated and given in the shown unit, whatever the expectation does; one that nobody
// would act on, and a change of the operating point alone, are not told.
func TestSteps(t *testing.T) {
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	trend := func(by float64) (points []Point) {
		rng := rand.New(rand.NewPCG(1, 50))
		for i := range trendPoints {
			p := Point{Time: start.Add(time.Duration(i) * time.Hour), Band: 0.1, Expected: 2}
			if i > 60 { // a valve was opened
				p.Expected = 2.6
			}
			p.Value = p.Expected + 0.02*rng.NormFloat64()
			if i >= 150 {
				p.Value += by
			}
			if i < 10 {
				p.Band = 0 // still learning
			}
			points = append(points, p)
		}
		return points
	}
	q := quantities[feature.StrokeRate] // 60 strokes a minute for each stroke a second
	for by, want := range map[float64]string{0.2: "+1", -0.2: "−1", 0: "", 0.04: ""} {
		got := stepsOf(trend(by), q)
		if want == "" {
			if len(got) > 0 {
				t.Errorf("change by %g: told %v", by, got)
			}
			continue
		}
		if len(got) != 1 {
			t.Fatalf("change by %g: told %v, want one", by, got)
		}
		if off := got[0].At.Sub(start.Add(150 * time.Hour)).Abs(); off > 2*time.Hour {
			t.Errorf("change by %g: dated %v off", by, off)
		}
		if by := got[0].By; !strings.HasPrefix(by, want) { // 12 strokes a minute
			t.Errorf("told a change by %s, want %s2", by, want)
		}
	}
	if got := stepsOf(nil, q); got != nil {
		t.Errorf("no history: %v", got)
	}
}
