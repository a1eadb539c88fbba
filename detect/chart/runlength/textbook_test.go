package runlength_test

import (
	"math"
	"strconv"
	"testing"

	"diastole/detect/chart/runlength"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// Printed tables are held to the digits that they print.

func TestMontgomeryTable(t *testing.T) {
	for _, r := range table(t, "montgomery_cusum_table") {
		shift := r.num(t, "shift")
		near(t, r, runlength.CUSUM(0.5, 4, shift), r.num(t, "one_h4"), exact)
		near(t, r, runlength.CUSUM(0.5, 5, shift), r.num(t, "one_h5"), exact)
		near(t, r, runlength.CUSUMTwoSided(0.5, 4, shift), r.num(t, "two_h4"), exact)
		near(t, r, runlength.CUSUMTwoSided(0.5, 5, shift), r.num(t, "two_h5"), exact)
		// An EWMA of lambda 1 is a Shewhart chart.
		near(t, r, runlength.EWMA(1, 3, shift), r.num(t, "shewhart3s"), exact)
	}
	// Montgomery, Introduction to Statistical Quality Control, 6th ed., Table 9.3, two-sided, k = 0.5, h = 4 and 5; from memory.
	for shift, printed := range map[float64][2]string{
		0: {"168", "465"}, 0.25: {"74.2", "139"}, 0.5: {"26.6", "38.0"}, 0.75: {"13.3", "17.0"}, 1: {"8.38", "10.4"},
		1.5: {"4.75", "5.75"}, 2: {"3.34", "4.01"}, 2.5: {"2.62", "3.11"}, 3: {"2.19", "2.57"}, 4: {"1.71", "2.01"},
	} {
		for i, h := range []float64{4, 5} {
			prints(t, runlength.CUSUMTwoSided(0.5, h, shift), printed[i])
		}
	}
}

// TestHeadstartTable is Lucas and Crosier 1982 (Montgomery, Table 9.5), headstart h/2, two-sided; from memory.
func TestHeadstartTable(t *testing.T) {
	prints(t, runlength.CUSUMTwoSidedHeadstart(0.5, 4, 0, 2), "149")
	prints(t, runlength.CUSUMTwoSidedHeadstart(0.5, 5, 0, 2.5), "430")
	prints(t, runlength.CUSUMTwoSidedHeadstart(0.5, 4, 1, 2), "5.29")
	prints(t, runlength.CUSUMTwoSidedHeadstart(0.5, 5, 1, 2.5), "6.35")
}

// TestHawkinsTable is Hawkins 1993 (Montgomery, Table 9.4): h for a two-sided ARL of 370. The h printed for k = 1.5, 1.61, gives
// 376 and is no rounding of the exact one.
func TestHawkinsTable(t *testing.T) {
	for _, r := range table(t, "hawkins_kh370") {
		k, h := r.num(t, "k"), r.num(t, "h")
		near(t, r, runlength.CUSUMTwoSided(k, h, 0), r.num(t, "arl0_two"), exact)
		near(t, r, runlength.CUSUMTwoSidedLimit(k, 370), r.num(t, "h_exact_370"), exact)
		near(t, r, runlength.CUSUMTwoSidedLimit(k, 370.4), r.num(t, "h_exact_370.4"), exact)
		if k < 1.5 {
			if d := math.Abs(runlength.CUSUMTwoSidedLimit(k, 370.4) - h); d > 0.0051 {
				t.Errorf("k %g: exact h is %g off the printed one", k, d)
			}
		}
	}
}

// TestLucasSaccucciTable holds the exact recomputation to six digits; the figures printed in 1990 agree with it to 0.4 % only.
func TestLucasSaccucciTable(t *testing.T) {
	schemes := map[string][2]float64{
		"l0.4_L3.054": {0.4, 3.054}, "l0.25_L2.998": {0.25, 2.998}, "l0.2_L2.962": {0.2, 2.962}, "l0.1_L2.814": {0.1, 2.814}, "l0.05_L2.615": {0.05, 2.615},
	}
	for _, r := range table(t, "lucas_saccucci_ewma_table") {
		for column, s := range schemes {
			near(t, column, runlength.EWMA(s[0], s[1], r.num(t, "shift")), r.num(t, column), exact)
		}
	}
	// Printed for shift 1 (from memory).
	for lambda, printed := range map[float64]float64{0.4: 14.3, 0.25: 11.1, 0.2: 10.5, 0.1: 10.3, 0.05: 11.4} {
		l := map[float64]float64{0.4: 3.054, 0.25: 2.998, 0.2: 2.962, 0.1: 2.814, 0.05: 2.615}[lambda]
		near(t, lambda, runlength.EWMA(lambda, l, 1), printed, 0.006)
	}
}

// TestPrabhuRungerTable is Prabhu and Runger 1997, J. Qual. Technol. 29:8: limits for p = 2 and an ARL of 200; from memory.
func TestPrabhuRungerTable(t *testing.T) {
	for lambda, printed := range map[float64]float64{0.05: 7.35, 0.1: 8.64, 0.2: 9.65, 0.3: 10.08, 0.5: 10.44} {
		if d := math.Abs(runlength.MEWMALimit(2, lambda, 200) - printed); d > 0.0075 { // 8.64 was rounded up from 8.634
			t.Errorf("lambda %g: limit is %.4f off the printed one", lambda, d)
		}
	}
}

// TestNISTCUSUMTable: e-Handbook of Statistical Methods 6.3.2.3.1 gives 336 and 930 for one-sided charts with k = 0.5 and h = 4 and 5,
// and 8.38 and 10.4 for a shift of one sigma.
func TestNISTCUSUMTable(t *testing.T) {
	near(t, "h 4", runlength.CUSUM(0.5, 4, 0), 336, 0.002)
	near(t, "h 5", runlength.CUSUM(0.5, 5, 0), 930, 0.001)
	prints(t, runlength.CUSUM(0.5, 4, 1), "8.38")
	prints(t, runlength.CUSUM(0.5, 5, 1), "10.4")
}

// prints demands that x, rounded, prints as given.
func prints(t *testing.T, x float64, printed string) {
	t.Helper()
	decimals := 0
	for i := range printed {
		if printed[i] == '.' {
			decimals = len(printed) - i - 1
		}
	}
	if got := strconv.FormatFloat(x, 'f', decimals, 64); got != printed {
		t.Errorf("%.6f prints as %s, the table has %s", x, got, printed)
	}
}

// The charts whose run length the package computes, as the handbooks define them. They are simulated in TestSimulated.

func upper(s, x, k float64) float64 { return max(0, s+x-k) }

func smooth(z, x, lambda float64) float64 { return (1-lambda)*z + lambda*x }

// TestWorkedExamples follows the published examples step by step.
func TestWorkedExamples(t *testing.T) {
	step := func(what string, i int, got, want, tolerance float64) {
		t.Helper()
		if math.Abs(got-want) > tolerance {
			t.Errorf("%s, step %d: got %g, want %g", what, i+1, got, want)
		}
	}
	up, low, first := 0.0, 0.0, 0
	for i, r := range table(t, "nist_cusum") {
		d := r.num(t, "x") - 325
		up, low = upper(up, d, 0.3175), upper(low, -d, 0.3175)
		step("NIST CUSUM, upper", i, up, r.num(t, "S_hi"), 1e-9)
		step("NIST CUSUM, lower", i, low, r.num(t, "S_lo"), 1e-9)
		if first == 0 && max(up, low) > 4.1959 {
			first = i + 1
		}
	}
	if first != 14 { // e-Handbook 6.3.2.3
		t.Errorf("NIST CUSUM signals at %d, the handbook at 14", first)
	}

	up, low, z, firstCUSUM, firstEWMA := 0.0, 0.0, 0.0, 0, 0
	for i, r := range table(t, "montgomery_9_1") {
		d := r.num(t, "x") - 10
		up, low, z = upper(up, d, 0.5), upper(low, -d, 0.5), smooth(z, d, 0.1)
		step("Montgomery CUSUM, upper", i, up, r.num(t, "C_plus"), 1e-9)
		step("Montgomery CUSUM, lower", i, low, r.num(t, "C_minus"), 1e-9)
		step("Montgomery EWMA", i, z+10, r.num(t, "ewma_l0.1"), 1e-4)
		if firstCUSUM == 0 && max(up, low) > 5 {
			firstCUSUM = i + 1
		}
		if firstEWMA == 0 && math.Abs(z) > r.num(t, "UCL")-10 {
			firstEWMA = i + 1
		}
	}
	if firstCUSUM != 29 || firstEWMA != 29 {
		t.Errorf("Montgomery 9.1 and 9.2 signal at %d and %d, published data at 29 and 29", firstCUSUM, firstEWMA)
	}

	z = 50.0
	for i, r := range table(t, "nist_ewma") {
		z = smooth(z, r.num(t, "x"), 0.3)
		step("NIST EWMA", i, z, r.num(t, "ewma"), 0.0061) // the handbook carries the rounded values on
	}
}

// TestMEWMAExample is NIST e-Handbook 6.3.4.3: T2 with the exact covariance of Z and that of the ten rows.
func TestMEWMAExample(t *testing.T) {
	rows := table(t, "nist_mewma")
	x := mat.NewDense(len(rows), 2, nil)
	for i, r := range rows {
		x.SetRow(i, []float64{r.num(t, "x1"), r.num(t, "x2")})
	}
	var cov mat.SymDense
	stat.CovarianceMatrix(&cov, x, nil)
	var chol mat.Cholesky
	if !chol.Factorize(&cov) {
		t.Fatal("the covariance is not positive definite")
	}
	const lambda = 0.1
	z := mat.NewVecDense(2, nil)
	for i, r := range rows {
		for j := range 2 {
			z.SetVec(j, smooth(z.AtVec(j), x.At(i, j), lambda))
		}
		var w mat.VecDense
		if err := chol.SolveVecTo(&w, z); err != nil {
			t.Fatal(err)
		}
		factor := lambda / (2 - lambda) * (1 - math.Pow(1-lambda, 2*float64(i+1)))
		if got, want := mat.Dot(z, &w)/factor, r.num(t, "t2"); math.Abs(got-want) > 5.1e-5 {
			t.Errorf("step %d: T2 %.4f, the handbook has %.4f", i+1, got, want)
		}
	}
}
