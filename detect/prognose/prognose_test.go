package prognose_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"diastole/detect/prognose"
	"diastole/model/life"
)

// grown is a fault that grew as a power of the strokes since its onset, seen with a scatter, until it had run a share of the way to 1.
func grown(onset, whole, power, share, scatter float64, seed uint64) prognose.Wear {
	rng := rand.New(rand.NewPCG(seed, 7))
	w := prognose.Wear{Floor: 0.25, Doubt: 0.01}
	now := onset + share*whole
	for i := 1; i <= 60; i++ {
		x := now * float64(i) / 60
		size := math.Pow(max(0, x-onset)/whole, power)
		w.Points = append(w.Points, prognose.Point{Strokes: x, Size: max(0.03, size*math.Exp(scatter*rng.NormFloat64()))})
	}
	return w
}

// TestForecastFindsWhatIsLeft: with little scatter and no doubt of the signature, the middle is near the truth and the interval holds it.
func TestForecastFindsWhatIsLeft(t *testing.T) {
	for _, power := range []float64{0.5, 1, 2} {
		w := grown(2e6, 4e6, power, 0.7, 0.02, 1)
		r, ok := prognose.Forecast(w, prognose.Part{})
		const truth = 0.3 * 4e6
		if !ok || r.P10 > truth || r.P90 < truth || r.P50 < truth/2 || r.P50 > truth*2 {
			t.Errorf("power %v: %.0f %.0f %.0f %v, the truth is %.0f", power, r.P10, r.P50, r.P90, ok, truth)
		}
	}
}

// TestForecastBeyondTheLimit: what has come to the limit has nothing left.
func TestForecastBeyondTheLimit(t *testing.T) {
	r, ok := prognose.Forecast(grown(1e6, 2e6, 1, 2, 0.02, 2), prognose.Part{})
	if !ok || r.P10 != 0 || r.P50 != 0 || r.P90 != 0 {
		t.Errorf("%+v %v", r, ok)
	}
}

// TestForecastOrder: quantiles are in order and follow the unit in which strokes are counted, whatever the points.
func TestForecastOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := prognose.Wear{Floor: 0.25, Doubt: rapid.Float64Range(0, 1).Draw(t, "doubt")}
		x := rapid.Float64Range(1e3, 1e6).Draw(t, "first")
		for range rapid.IntRange(1, 12).Draw(t, "points") {
			x += rapid.Float64Range(0, 1e6).Draw(t, "step")
			w.Points = append(w.Points, prognose.Point{Strokes: x, Size: rapid.Float64Range(0.02, 3.2).Draw(t, "size")})
		}
		r, ok := prognose.Forecast(w, prognose.Part{})
		if !ok || !(0 <= r.P10 && r.P10 <= r.P50 && r.P50 <= r.P90) || math.IsInf(r.P90, 0) {
			t.Fatalf("%+v %v", r, ok)
		}
		for i := range w.Points {
			w.Points[i].Strokes *= 2
		}
		if d, _ := prognose.Forecast(w, prognose.Part{}); math.Abs(d.P50-2*r.P50) > 1e-6*d.P50 || math.Abs(d.P90-2*r.P90) > 1e-6*d.P90 {
			t.Errorf("%+v with strokes counted twice, %+v", d, r)
		}
	})
}

// TestForecastMindsTheLife: two faults alike, on a part that is expected to last long and on one that is not.
func TestForecastMindsTheLife(t *testing.T) {
	w := grown(2e6, 8e6, 1, 0.3, 0.1, 3)
	w.Doubt = 0.4
	left := func(median, before float64, known bool) prognose.Remaining {
		b, err := life.Prior{Median: median, MedianFactor: 1.3, Shape: 3, ShapeFactor: 1.2}.Posterior(nil)
		if err != nil {
			t.Fatal(err)
		}
		r, ok := prognose.Forecast(w, prognose.Part{Belief: b, Before: before, Known: known})
		if !ok {
			t.Fatal("no forecast")
		}
		return r
	}
	short, long := left(6e6, 0, true), left(30e6, 0, true)
	if short.P50 >= long.P50 || short.P90 >= long.P90 {
		t.Errorf("a short-lived part has %+v left, a long-lived one %+v", short, long)
	}
	if old := left(30e6, 25e6, true); old.P50 >= long.P50 {
		t.Errorf("an old part has %+v left, a new one %+v", old, long)
	}
	if a, b := left(6e6, 0, false), left(30e6, 0, false); a != b {
		t.Errorf("a part of unknown age has %+v or %+v left", a, b)
	}
}

// TestNothingSeen gives nothing.
func TestNothingSeen(t *testing.T) {
	if r, ok := prognose.Forecast(prognose.Wear{Floor: 0.25}, prognose.Part{}); ok {
		t.Errorf("%+v of no points", r)
	}
}

// TestDuty turns strokes into hours and a date: 200 strokes a minute, eight hours a day.
func TestDuty(t *testing.T) {
	d := prognose.Duty{PerHour: 12000, PerDay: 96000}
	from := time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)
	if at, ok := d.Time(from, 960000); !ok || !at.Equal(from.AddDate(0, 0, 10)) {
		t.Errorf("%v %v", at, ok)
	}
	if h, ok := d.Hours(960000); !ok || h != 80 {
		t.Errorf("%v %v", h, ok)
	}
	if _, ok := d.Time(from, 1e10); ok {
		t.Error("a date in hundreds of years")
	}
	if _, ok := (prognose.Duty{}).Time(from, 1); ok {
		t.Error("a date without a duty")
	}
	if _, ok := (prognose.Duty{}).Hours(1); ok {
		t.Error("hours without a duty")
	}
}
