package feature

import (
	"math"
	"testing"

	"diastole/detect/robust"
)

// TestStandardErrorsCover wants the truth within 1.96 standard errors in about 95 % of bursts. The truth of a rate and
// an asymmetry is that of the process that drew the strokes, not of the strokes drawn.
func TestStandardErrorsCover(t *testing.T) {
	const bursts = 400
	inside := map[ID]int{}
	spread := map[ID][]float64{}
	for i := range bursts {
		s := plain()
		s.seed, s.seconds, s.noise = uint64(i), 12, 0.003
		s.scatter = 0.01
		chunks, _ := s.make()
		epochs, _ := build(s.settings(), chunks)
		if len(epochs) != 1 || !epochs[0].Anchored {
			t.Fatalf("burst %d: %d epochs, anchored %v", i, len(epochs), epochs[0].Anchored)
		}
		truth := map[ID]float64{StrokeRate: s.rate, Asymmetry: s.asymmetry, Dispersion: s.scatter}
		for id, want := range truth {
			f := epochs[0].Features[id]
			if !f.Valid {
				t.Fatalf("burst %d: %s is not valid", i, id)
			}
			u := (f.V - want) / f.SE
			spread[id] = append(spread[id], u)
			if math.Abs(u) <= 1.96 {
				inside[id]++
			}
		}
	}
	for id, least := range map[ID]float64{StrokeRate: 0.90, Asymmetry: 0.90, Dispersion: 0.90} {
		share := float64(inside[id]) / bursts
		t.Logf("%s: %.1f %% inside, mean %.2f sigma, scatter %.2f sigma", id, 100*share,
			robust.Mean(spread[id]), robust.StdDev(spread[id]))
		if share < least || share > 0.995 {
			t.Errorf("%s: the standard error covers the truth in %.1f %% of bursts", id, 100*share)
		}
	}
}
