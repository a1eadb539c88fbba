package runlength

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// TestQuadrature: n nodes integrate the Legendre polynomials of degrees 1 to 2n-1 to 0, and 1 to 2.
func TestQuadrature(t *testing.T) {
	for n := 8; n <= 400; n += 8 {
		x, w := make([]float64, n), make([]float64, n)
		quad.Legendre{}.FixedLocations(x, w, -1, 1)
		for degree := range min(2*n, 100) {
			sum := 0.0
			for i := range x {
				before, at := 1.0, 1.0
				for d := 1; d <= degree; d++ { // Bonnet's recursion
					k := float64(d)
					before, at = at, ((2*k-1)*x[i]*at-(k-1)*before)/k
				}
				sum += w[i] * at
			}
			if degree == 0 {
				sum -= 2
			}
			if math.Abs(sum) > 1e-13 {
				t.Errorf("%d nodes integrate the polynomial of degree %d to %g", n, degree, sum)
			}
		}
	}
}

// TestEnoughNodes doubles the nodes of a CUSUM, narrow and wide, in control and far out of it.
func TestEnoughNodes(t *testing.T) {
	for _, h := range []float64{0.1, 1, 5, 15, 30} {
		c := newCUSUM(0.5, h, 0)
		n := 2 * (len(c.s) - 2)
		x, w := make([]float64, n), make([]float64, n)
		quad.Legendre{}.FixedLocations(x, w, 0, h)
		fine := cusum{k: 0.5, h: h, s: append([]float64{0, 0}, x...), w: append([]float64{0, 0}, w...)}
		for _, mu := range []float64{-1, 0, 0.5, 1, 5} {
			a, b := c.shifted(mu).mean(), fine.shifted(mu).mean()
			if math.Abs(a/b-1) > 1e-10 {
				t.Errorf("h %g, mu %g: ARL %.15g, with twice the nodes %.15g", h, mu, a, b)
			}
		}
	}
}

// TestMEWMAWithFewNodes explains where the reference limits of testdata/mewma_crit.csv are not exact: at lambda 0.05 and p >= 4 the
// 20 nodes of their program are too few. The same equation on 20 nodes gives its ARL of 1000 for its limit to all digits;
// on 30, 40 and 100 it gives what MEWMA gives.
func TestMEWMAWithFewNodes(t *testing.T) {
	const p, lambda, h = 10, 0.05, 26.431923
	c := math.Sqrt(h / (lambda * (2 - lambda)))
	solve := func(n int) float64 {
		x, w := make([]float64, n), make([]float64, n)
		quad.Legendre{}.FixedLocations(x, w, 0, c)
		a, ones := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
		for i := range n {
			ones.SetVec(i, 1)
			for j := range n {
				a.Set(i, j, -w[j]*chiDensity(p, (1-lambda)*x[i], x[j]))
			}
			a.Set(i, i, 1+a.At(i, i))
		}
		var l mat.VecDense
		if err := l.SolveVec(a, ones); err != nil {
			t.Fatal(err)
		}
		arl := 1.0
		for j := range n {
			arl += w[j] * chiDensity(p, 0, x[j]) * l.AtVec(j)
		}
		return arl
	}
	if got := solve(20); math.Abs(got-1000) > 1e-3 {
		t.Errorf("on 20 nodes: ARL %.6f, the reference has 1000", got)
	}
	for _, n := range []int{30, 40, 100} {
		if a, b := solve(n), MEWMA(p, lambda, h); math.Abs(a/b-1) > 1e-7 {
			t.Errorf("on %d nodes: ARL %.6f, MEWMA %.6f", n, a, b)
		}
	}
}

// TestChiDensity holds the density against the closed forms of 1, 2 (central) and 3 coordinates (Johnson, Kotz and Balakrishnan
// 1995, ch. 29), also where its series has hundreds of terms.
func TestChiDensity(t *testing.T) {
	for _, m := range []float64{0.3, 3, 30, 100} {
		for _, r := range []float64{0.01, 1, 20, 29, 35, 101} {
			one := density(r-m) + density(r+m)
			three := r / m * (density(r-m) - density(r+m))
			if a := chiDensity(1, m, r); math.Abs(a-one) > 1e-10*one+1e-300 {
				t.Errorf("1, %g, %g: %g, want %g", m, r, a, one)
			}
			// Where r*m is small the closed form cancels.
			if a := chiDensity(3, m, r); math.Abs(a-three) > 1e-10*three+1e-13*density(r-m)*r/m+1e-300 {
				t.Errorf("3, %g, %g: %g, want %g", m, r, a, three)
			}
		}
	}
	for _, r := range []float64{0.01, 1, 5} {
		if a, want := chiDensity(2, 0, r), r*math.Exp(-r*r/2); math.Abs(a/want-1) > 1e-13 {
			t.Errorf("2, 0, %g: %g, want %g", r, a, want)
		}
	}
}
