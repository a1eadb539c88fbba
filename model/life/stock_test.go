package life_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"diastole/model/life"
)

// TestAgeReplacement holds Barlow and Proschan's optimum, computed with scipy's quad and brentq (testdata/age_replacement.csv).
func TestAgeReplacement(t *testing.T) {
	for _, row := range table(t, "age_replacement.csv")[1:] {
		var x [8]float64
		for i := range row {
			x[i] = number(t, row[i])
		}
		r, err := life.AgeReplacement(life.Weibull{Shape: x[0], Scale: x[1]}, x[2], x[3])
		if err != nil {
			t.Errorf("%v: %v", row, err)
			continue
		}
		close(t, row[0]+" age", r.Age, x[4], 2e-7) // scipy's root is good to about 1e-8
		close(t, row[0]+" cost", r.CostRate, x[5], 1e-9)
		close(t, row[0]+" run to failure", r.RunToFailure, x[6], 1e-9)
		close(t, row[0]+" ratio", r.Ratio(), x[7], 1e-9)
	}
}

// TestNoAgeReplacement: without wear, or without a dearer failure, there is no optimum, and it is said.
func TestNoAgeReplacement(t *testing.T) {
	for _, c := range []struct{ shape, planned, failure float64 }{{1, 1, 5}, {.7, 1, 50}, {2, 5, 5}, {3, 5, 1}} {
		if _, err := life.AgeReplacement(life.Weibull{Shape: c.shape, Scale: 1000}, c.planned, c.failure); !errors.Is(err, life.ErrNoOptimum) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	if _, err := life.AgeReplacement(life.Weibull{Shape: 2, Scale: 1000}, 0, 5); err == nil || errors.Is(err, life.ErrNoOptimum) {
		t.Errorf("no cost: %v", err)
	}
}

// TestAgeReplacementIsTheMinimum against its neighbours, with the cost by a plain sum.
func TestAgeReplacementIsTheMinimum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := life.Weibull{Shape: rapid.Float64Range(1.5, 6).Draw(t, "shape"), Scale: math.Pow(10, rapid.Float64Range(0, 7).Draw(t, "log scale"))}
		failure := rapid.Float64Range(1.5, 50).Draw(t, "failure")
		r, err := life.AgeReplacement(w, 1, failure)
		if err != nil {
			t.Fatal(err)
		}
		cost := func(age float64) float64 {
			const n = 4000
			sum := 0.0
			for i := range n {
				sum += w.Survival((float64(i) + .5) / n * age)
			}
			return (w.Survival(age) + failure*(1-w.Survival(age))) / (sum / n * age)
		}
		if got := cost(r.Age); math.Abs(got/r.CostRate-1) > 1e-4 {
			t.Errorf("cost %v, by a sum %v", r.CostRate, got)
		}
		if cost(r.Age*.9) < r.CostRate*(1-1e-6) || cost(r.Age*1.1) < r.CostRate*(1-1e-6) {
			t.Errorf("%v is no minimum", r.Age)
		}
	})
}

// TestPoissonStock holds scipy.stats.poisson (testdata/poisson_stock.csv).
func TestPoissonStock(t *testing.T) {
	for _, row := range table(t, "poisson_stock.csv")[1:] {
		var x [7]float64
		for i := range row {
			x[i] = number(t, row[i])
		}
		d, err := life.DemandOf(nil, x[0])
		if err != nil {
			t.Fatal(err)
		}
		s := int(x[2])
		if got := d.StockFor(x[1]); got != s {
			t.Errorf("mean %v at %v: stock %d, want %d", x[0], x[1], got, s)
		}
		within := func(what string, got, want float64) {
			if math.Abs(got-want) > 6e-11 {
				t.Errorf("mean %v: %s is %.10f, want %.10f", x[0], what, got, want)
			}
		}
		within("P(D<=S)", d.Covered(s), x[3])
		within("P(D<=S-1)", d.FilledAtOnce(s), x[4])
		within("E[(D-S)+]", d.Backorders(s), x[5])
	}
	// Poisson with mean 4, S = 4 to 8, computed with scipy.
	d, err := life.DemandOf(nil, 4)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{.6288369, .7851304, .8893260, .9488664, .9786366} {
		close(t, "Poisson 4", d.Covered(4+i), want, 1e-7)
	}
}

// TestDemand: a distribution whose mean is the sum of what goes into it; alike units make a binomial one.
func TestDemand(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		each := rapid.SliceOfN(rapid.Float64Range(0, 1), 0, 20).Draw(t, "each")
		others := rapid.Float64Range(0, 30).Draw(t, "others")
		d, err := life.DemandOf(each, others)
		if err != nil {
			t.Fatal(err)
		}
		sum, mean := 0.0, others
		for _, p := range d {
			sum += p
		}
		for _, p := range each {
			mean += p
		}
		if math.Abs(sum-1) > 1e-12 || math.Abs(d.Mean()-mean) > 1e-9 {
			t.Errorf("sum %v, mean %v, want 1 and %v", sum, d.Mean(), mean)
		}
		if math.Abs(d.Backorders(0)-mean) > 1e-9 {
			t.Errorf("with no stock %v wait, want %v", d.Backorders(0), mean)
		}
	})
	d, err := life.DemandOf([]float64{.3, .3, .3}, 0)
	if err != nil {
		t.Fatal(err)
	}
	for n, want := range []float64{.343, .441, .189, .027} {
		close(t, "binomial", d[n], want, 1e-12)
	}
	for _, bad := range [][]float64{{1.1}, {-.1}, {math.NaN()}} {
		if _, err := life.DemandOf(bad, 0); err == nil {
			t.Errorf("%v is taken", bad)
		}
	}
	if _, err := life.DemandOf(nil, math.NaN()); err == nil {
		t.Error("an average that is no number is taken")
	}
}

// TestPayback: 12 an hour lost while running half of the time pays 1296 in nine days.
func TestPayback(t *testing.T) {
	got, ok := life.Payback(1296, 12.0/3600, .5)
	if want := 9 * 24 * time.Hour; !ok || (got-want).Abs() > time.Second {
		t.Errorf("%v, %v", got, ok)
	}
	for _, c := range [][3]float64{{0, 1, 1}, {1, 0, 1}, {1, 1, 0}, {1e9, 1e-12, 1}} {
		if _, ok := life.Payback(c[0], c[1], c[2]); ok {
			t.Errorf("%v pays back", c)
		}
	}
}
