package baseline

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"diastole/detect/feature"
)

// running is an epoch of a pump at work, all of whose features have the given value and standard error.
func running(v, se float64) feature.Epoch {
	e := feature.Epoch{
		State: feature.Running, Anchored: true,
		Inlet: feature.Value{V: 5e5, Valid: true}, Discharge: feature.Value{V: 4e5, Valid: true},
	}
	for f := range feature.NumFeatures {
		e.Features[f] = feature.Value{V: v, SE: se, Valid: true}
	}
	return e
}

func TestObserveAndNaturalAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := math.Exp(rapid.Float64Range(-8, 3).Draw(t, "ln v"))
		o, ok := Observe(running(v, 1e-5*v))
		if !ok {
			t.Fatal("not judged")
		}
		for f := range feature.NumFeatures {
			if !o.Has[f] {
				t.Errorf("%s of %g was left out", f, v)
			}
			if got := Natural(f, o.Val[f]); math.Abs(got-v) > 1e-9*v+1e-15 {
				t.Errorf("%s: %g came back as %g", f, v, got)
			}
			// A small standard error in the feature's own unit is the same one back from the coordinate.
			sd := math.Sqrt(o.Var[f])
			if got := (Natural(f, o.Val[f]+sd) - Natural(f, o.Val[f]-sd)) / 2; math.Abs(got-1e-5*v) > 1e-8*v+1e-15 {
				t.Errorf("%s: a standard error of %g came back as %g", f, 1e-5*v, got)
			}
		}
	})
}

// TestRatioFeaturesAreLogarithms: a pump twice as fast lies ln 2 further whatever its size.
func TestRatioFeaturesAreLogarithms(t *testing.T) {
	for _, v := range []float64{0.1, 1, 8} {
		a, _ := Observe(running(v, 0))
		b, _ := Observe(running(2*v, 0))
		if got := b.Val[feature.StrokeRate] - a.Val[feature.StrokeRate]; math.Abs(got-math.Ln2) > 1e-12 {
			t.Errorf("from %g to %g strokes a second is %g, want ln 2", v, 2*v, got)
		}
	}
}

func TestObserveRefusesWhatCannotBeJudged(t *testing.T) {
	refused := map[string]func(*feature.Epoch){
		"no inlet pressure":     func(e *feature.Epoch) { e.Inlet.Valid = false },
		"no discharge pressure": func(e *feature.Epoch) { e.Discharge.Valid = false },
		"no stroke rate":        func(e *feature.Epoch) { e.Features[feature.StrokeRate].Valid = false },
		"a rate of nothing":     func(e *feature.Epoch) { e.Features[feature.StrokeRate].V = 0 },
		"a rate below nothing":  func(e *feature.Epoch) { e.Features[feature.StrokeRate].V = -1 },
	}
	for s := range feature.NumStates {
		if s != feature.Running {
			refused[s.String()] = func(e *feature.Epoch) { e.State = s }
		}
	}
	for name, change := range refused {
		e := running(0.5, 0)
		change(&e)
		if _, ok := Observe(e); ok {
			t.Errorf("%s: judged all the same", name)
		}
	}
}

func TestObserveLeavesOutWhatIsNoNumber(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -3} {
		e := running(0.5, 0)
		for f := range feature.NumFeatures {
			if f != feature.StrokeRate {
				e.Features[f].V = bad
			}
		}
		o, ok := Observe(e)
		if !ok {
			t.Fatalf("%g in the other features: the rate alone is not judged", bad)
		}
		for f := range feature.NumFeatures {
			if math.IsNaN(o.Val[f]) || math.IsInf(o.Val[f], 0) {
				t.Errorf("%s of %g became the coordinate %g", f, bad, o.Val[f])
			}
			if want := f == feature.StrokeRate || !scale[f].log && bad == -3; o.Has[f] != want {
				t.Errorf("%s of %g: has is %t", f, bad, o.Has[f])
			}
		}
	}
}

func TestMirroredExchangesTheSidesAndNothingElse(t *testing.T) {
	o, _ := Observe(running(0.25, 0.01))
	m := o.Mirrored()
	for f := range feature.NumFeatures {
		want := o.Val[f]
		if strings.HasSuffix(f.String(), "asymmetry") {
			want = -want
		}
		if m.Val[f] != want {
			t.Errorf("%s became %g, want %g", f, m.Val[f], want)
		}
	}
	if m.Mirrored() != o {
		t.Error("mirrored twice is not the same")
	}
}
