package diagnose

import (
	"math"
	"testing"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
)

// TestLevelForgetsALump: the present level is where most of the last epochs are. Two that are disturbed do not move it, and
// a coordinate that most of them lack is not part of it.
func TestLevelForgetsALump(t *testing.T) {
	b := &Bank{}
	for i := range 2 * window {
		m := chart.Measurement{}
		for j := range baseline.Dim {
			m.Dev[j], m.Var[j], m.Has[j] = 0.1, 0.01, true
		}
		if i >= 2*window-2 {
			m.Dev[feature.StrokeRate] = 50
		}
		m.Has[feature.Ripple] = i%window > window/2
		b.remember(&m)
	}
	if len(b.Recent) != window {
		t.Fatalf("%d epochs are remembered, want %d", len(b.Recent), window)
	}
	l := b.level()
	if l.Dev[feature.StrokeRate] != 0.1 {
		t.Errorf("two disturbed epochs of %d moved the level from 0.1 to %g", window, l.Dev[feature.StrokeRate])
	}
	if l.Has[feature.Ripple] || !l.Has[feature.StrokeRate] {
		t.Errorf("the level has %v", l.Has)
	}
	// The median of n normal values has pi/2 times the variance of their mean, for many of them (Kenney and Keeping 1962,
	// Mathematics of Statistics, Part 1, section 14.7; quoted from memory).
	if want := math.Pi / 2 * 0.01 / window; math.Abs(l.Var[feature.StrokeRate]-want) > 1e-12 {
		t.Errorf("its variance is %g, want %g", l.Var[feature.StrokeRate], want)
	}
}

// TestLevelFollowsTheNames: where A and B are found to be named the other way round, the level is in the old names.
func TestLevelFollowsTheNames(t *testing.T) {
	b := &Bank{Filter: chart.Filter{Swapped: true}}
	m := chart.Measurement{}
	m.Dev[feature.Asymmetry], m.Mirrored[feature.Asymmetry], m.Has[feature.Asymmetry] = 0.3, -0.3, true
	for range window {
		b.remember(&m)
	}
	if l := b.level(); l.Dev[feature.Asymmetry] != -0.3 {
		t.Errorf("an asymmetry of 0.3 by exchanged names is taken as %g", l.Dev[feature.Asymmetry])
	}
}

// TestSizesAreMixed: the evidence for a hypothesis is the mean of the likelihood ratios of its sizes, so that following more of
// them does not call for a higher threshold.
func TestSizesAreMixed(t *testing.T) {
	if got, want := logMeanExp([]float64{math.Log(1), math.Log(2), math.Log(6)}), math.Log(3); math.Abs(got-want) > 1e-12 {
		t.Errorf("log of the mean of 1, 2 and 6 is %g, want %g", got, want)
	}
	if got, want := logMeanExp([]float64{0, 2000}), 2000-math.Log(2); math.Abs(got-want) > 1e-9 {
		t.Errorf("ratios beyond the largest number: %g, want %g", got, want)
	}
}
