package chart

import (
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/feature"
)

// follow runs one effect's track over deviations of the stroke rate alone, an epoch an hour, and returns the tracks after
// each epoch.
func follow(deviations []float64, e Effect) []Track {
	m := Measurement{Unseen: 1e-4, Swap: 0.01}
	m.Has[feature.StrokeRate] = true
	m.Var[feature.StrokeRate], m.OffsetVar[feature.StrokeRate] = 1e-4, 1e-4
	healthy := Filter{P: m.OffsetVar}
	var none Effect
	var tr Track
	var out []Track
	for i, d := range deviations {
		m.Dev[feature.StrokeRate], m.Mirrored[feature.StrokeRate] = d, d
		healthy.Move(0.99, &m.OffsetVar, &none)
		before := healthy
		density := healthy.Update(&m, &none)
		if tr.Epochs > 0 {
			tr.Filter.Move(0.99, &m.OffsetVar, &e)
		}
		tr.Update(hour(i), &m, &e, density, &before)
		out = append(out, tr)
	}
	return out
}

func hour(i int) time.Time { return time.Unix(int64(i)*3600, 0).UTC() }

func faster(by float64) Effect {
	e := Effect{Size: 1, Sudden: 0.5}
	e.Mean[feature.StrokeRate], e.Spread[feature.StrokeRate] = by, by/10
	return e
}

// TestTrackFindsAChangeAndItsTime: healthy, then a step of the effect's size. Score and epochs rise from there, and the
// time is that of the step, give or take what noise may add.
func TestTrackFindsAChangeAndItsTime(t *testing.T) {
	const step, after = 40, 20
	rng := rand.New(rand.NewPCG(1, 20))
	var d []float64
	for i := range step + after {
		x := 0.01 * rng.NormFloat64()
		if i >= step {
			x += 0.2
		}
		d = append(d, x)
	}
	tracks := follow(d, faster(0.2))
	for i, tr := range tracks[:step] {
		if tr.Score < 0 || (tr.Score == 0) != (tr.Epochs == 0) {
			t.Errorf("hour %d: score %g after %d epochs", i, tr.Score, tr.Epochs)
		}
		if tr.Score > 5 {
			t.Errorf("hour %d: a healthy pump has a score of %g", i, tr.Score)
		}
	}
	end := tracks[len(tracks)-1]
	if end.Score < 10 {
		t.Errorf("a shift of 20 standard deviations has a score of %g after %d epochs", end.Score, after)
	}
	if end.Since.Before(hour(step-3)) || end.Since.After(hour(step)) {
		t.Errorf("the change came at %v, it was found at %v", hour(step), end.Since)
	}
	if want := int(hour(step+after-1).Sub(end.Since)/time.Hour) + 1; end.Epochs != want {
		t.Errorf("%d epochs since %v, want %d", end.Epochs, end.Since, want)
	}
}

// TestTrackStartsAnew: where the other direction is true, the track must not sink below nothing: what comes later must be
// found as fast as by a track that has seen nothing.
func TestTrackStartsAnew(t *testing.T) {
	var d []float64
	for range 50 {
		d = append(d, -0.1)
	}
	for _, tr := range follow(d, faster(0.2))[2:] {
		if tr != (Track{}) {
			t.Fatalf("slower strokes are followed as faster ones: score %g after %d epochs", tr.Score, tr.Epochs)
		}
	}
}

// TestTrackTakesSlowGrowthForAChange: an effect that comes so slowly that the healthy filter takes it for an offset, and
// stays, is found in the end where it is far beyond what a regime's offset may be.
func TestTrackTakesSlowGrowthForAChange(t *testing.T) {
	var d []float64
	for i := range 400 {
		d = append(d, 0.2*min(1, float64(i)/300))
	}
	tracks := follow(d, faster(0.2))
	if end := tracks[len(tracks)-1]; end.Score < 5 {
		t.Errorf("a shift of 20 standard deviations that grew over 300 epochs has a score of %g", end.Score)
	}
}

func TestLower(t *testing.T) {
	tr := Track{Score: 10, Epochs: 5, Since: hour(1)}
	tr.Lower(4)
	if want := (Track{Score: 6, Epochs: 5, Since: hour(1)}); tr != want {
		t.Errorf("lowered by 4: %+v, want %+v", tr, want)
	}
	if tr.Lower(6); tr != (Track{}) {
		t.Errorf("lowered to nothing, it goes on: %+v", tr)
	}
}
