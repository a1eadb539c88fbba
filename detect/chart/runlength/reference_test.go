package runlength_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"diastole/detect/chart/runlength"
)

// row is one line of a reference table, by the names of its columns.
type row map[string]string

// table reads testdata/name.csv, whose first lines tell where it comes from.
func table(t *testing.T, name string) []row {
	t.Helper()
	f, err := os.Open("testdata/" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []row
	for _, l := range lines[1:] {
		m := row{}
		for i, v := range l {
			m[lines[0][i]] = v
		}
		rows = append(rows, m)
	}
	if len(rows) == 0 {
		t.Fatalf("%s has no rows", name)
	}
	return rows
}

func (r row) num(t *testing.T, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %s of %v: %v", column, r, err)
	}
	return v
}

// near demands agreement to a relative tolerance.
func near(t *testing.T, what any, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got/want-1) <= tolerance) {
		t.Errorf("%v: got %.10g, want %.10g (relative %.1e, allowed %.0e)", what, got, want, got/want-1, tolerance)
	}
}

// exact is what eight printed digits allow.
const exact = 1e-6

func TestCUSUM(t *testing.T) {
	for _, r := range table(t, "cusum_arl") {
		f := runlength.CUSUM
		if r["sided"] == "two" {
			f = runlength.CUSUMTwoSided
		}
		// At ARL of 1e9 the reference loses digits: its own two columns differ by that much.
		a, b := r.num(t, "arl"), r.num(t, "arl_r90")
		near(t, r, f(r.num(t, "k"), r.num(t, "h"), r.num(t, "mu")), (a+b)/2, exact+math.Abs(a/b-1))
	}
}

func TestCUSUMLimit(t *testing.T) {
	for _, r := range table(t, "cusum_crit") {
		f := runlength.CUSUMLimit
		if r["sided"] == "two" {
			f = runlength.CUSUMTwoSidedLimit
		}
		near(t, r, f(r.num(t, "k"), r.num(t, "ARL0")), r.num(t, "h"), exact)
	}
}

func TestCUSUMHeadstart(t *testing.T) {
	for _, r := range table(t, "cusum_arl_fir") {
		f := runlength.CUSUMHeadstart
		if r["sided"] == "two" {
			f = runlength.CUSUMTwoSidedHeadstart
		}
		near(t, r, f(r.num(t, "k"), r.num(t, "h"), r.num(t, "mu"), r.num(t, "hs")), r.num(t, "arl"), exact)
	}
}

func TestCUSUMSteadyDelay(t *testing.T) {
	for _, r := range table(t, "cusum_steady_state_delay") {
		near(t, r, runlength.CUSUMSteadyDelay(r.num(t, "k"), r.num(t, "h"), r.num(t, "mu")), r.num(t, "ad"), exact)
	}
}

func TestCUSUMDrift(t *testing.T) {
	for _, r := range table(t, "cusum_drift_arl") {
		near(t, r, runlength.CUSUMDrift(r.num(t, "k"), r.num(t, "h"), r.num(t, "delta")), r.num(t, "arl"), exact)
	}
}

func TestCUSUMSurvival(t *testing.T) {
	// spc 0.6.7, xcusum.sf(0.5, 5, mu, n, sided = "one", r = 60)
	near(t, "in control, 10", runlength.CUSUMSurvival(0.5, 5, 0, 10), 0.9953204, 1e-7)
	near(t, "shift 1, 10", runlength.CUSUMSurvival(0.5, 5, 1, 10), 0.39191066, 1e-7)
	near(t, "shift 1, 20", runlength.CUSUMSurvival(0.5, 5, 1, 20), 0.05420846, 1e-7)
	// spc 0.6.7, xcusum.q: the quantiles of the run length in control, the least n with P(N > n) <= 1-p
	for p, n := range map[float64]int64{0.1: 104, 0.25: 272, 0.5: 647, 0.75: 1288, 0.9: 2135} {
		at, before := runlength.CUSUMSurvival(0.5, 5, 0, n), runlength.CUSUMSurvival(0.5, 5, 0, n-1)
		if !(at <= 1-p && before > 1-p) {
			t.Errorf("quantile %g: P(N > %d) = %g, P(N > %d) = %g", p, n, at, n-1, before)
		}
	}
}

func TestEWMA(t *testing.T) {
	for _, r := range table(t, "ewma_arl") {
		near(t, r, runlength.EWMA(r.num(t, "lambda"), r.num(t, "L"), r.num(t, "mu")), r.num(t, "arl"), exact)
	}
}

func TestEWMALimit(t *testing.T) {
	for _, r := range table(t, "ewma_crit") {
		// The reference's search stops at an ARL that is off by what arl_check tells, to six digits.
		want, check := r.num(t, "ARL0"), r.num(t, "arl_check")
		near(t, r, runlength.EWMALimit(r.num(t, "lambda"), want), r.num(t, "L"), exact+math.Abs(check/want-1))
	}
}

func TestMEWMALimit(t *testing.T) {
	for _, r := range table(t, "mewma_crit") {
		p, lambda, arl, want := r.num(t, "p"), r.num(t, "lambda"), r.num(t, "ARL0"), r.num(t, "h4")
		got := runlength.MEWMALimit(int(p), lambda, arl)
		if lambda == 0.05 && p >= 4 {
			// 20 nodes are too few for the reference here: see TestMEWMAWithFewNodes.
			near(t, r, got, want, 1e-3)
			continue
		}
		near(t, r, got, want, exact)
	}
}

func TestSiegmund(t *testing.T) {
	for _, r := range table(t, "siegmund") {
		k, h, mu := r.num(t, "k"), r.num(t, "h"), r.num(t, "mu")
		up, low := runlength.CUSUMSiegmund(k, h, mu), runlength.CUSUMSiegmund(k, h, -mu)
		near(t, r, up, r.num(t, "one"), exact)
		near(t, r, 1/(1/up+1/low), r.num(t, "two"), exact)
		near(t, r, runlength.CUSUM(k, h, mu), r.num(t, "exact_one"), exact)
		near(t, r, runlength.CUSUMTwoSided(k, h, mu), r.num(t, "exact_two"), exact)
	}
	// the formula evaluated in double precision with numpy
	near(t, "k 0.5, h 5", runlength.CUSUMSiegmund(0.5, 5, 0), 938.2223641, 1e-9)
}

// TestMarkov holds the chain of Brook and Evans against figures computed independently with numpy, for the same number of
// states, and against the integral equation in the limit (Richardson's extrapolation of an error that falls as 1/t^2).
func TestMarkov(t *testing.T) {
	for _, c := range []struct {
		mu   float64
		t    int
		want float64
	}{
		{0, 5, 711.724638}, {0, 10, 872.067461}, {0, 25, 921.606067}, {0, 50, 928.598379}, {0, 100, 930.319674},
		{0, 200, 930.745831}, {0, 400, 930.851802}, {1, 5, 10.541359}, {1, 50, 10.377351}, {1, 200, 10.376060},
	} {
		near(t, c, runlength.CUSUMMarkov(0.5, 5, c.mu, c.t), c.want, 1e-7)
	}
	for _, mu := range []float64{-0.5, 0, 0.5, 1, 2} {
		coarse, fine := runlength.CUSUMMarkov(0.25, 8, mu, 100), runlength.CUSUMMarkov(0.25, 8, mu, 200)
		near(t, mu, fine+(fine-coarse)/3, runlength.CUSUM(0.25, 8, mu), 2e-4)
	}
}

// TestLorden checks the optimal delay: it grows by ln 10 over the Kullback-Leibler information d^2/2 for every decade of
// the ARL in control (Lorden 1971, Ann. Math. Stat. 42:1897).
func TestLorden(t *testing.T) {
	rows := table(t, "lorden_check")
	delay := map[[2]float64]float64{}
	for _, r := range rows {
		shift, k, arl := r.num(t, "delta"), r.num(t, "k"), r.num(t, "ARL0")
		d := runlength.CUSUM(k, runlength.CUSUMLimit(k, arl), shift)
		near(t, r, d, r.num(t, "zero_state_ARL1"), exact)
		delay[[2]float64{shift, arl}] = d
	}
	for _, shift := range []float64{0.5, 1, 1.5, 2} {
		increment := delay[[2]float64{shift, 1e6}] - delay[[2]float64{shift, 1e5}]
		near(t, shift, increment, math.Ln10/(shift*shift/2), 5e-3)
	}
}
