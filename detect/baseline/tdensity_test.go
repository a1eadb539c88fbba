package baseline

import (
	"math"
	"math/rand/v2"
	"testing"

	quadrature "gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distmv"
)

// TestTDensityIsTheReferenceLibrarys compares with the multivariate t distribution of gonum (stat/distmv), whose scale
// matrix is (nu-2)/nu times the covariance.
func TestTDensityIsTheReferenceLibrarys(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for n := 1; n <= Dim; n++ {
		cov := mat.NewSymDense(n, nil)
		for range n + 2 { // a sum of outer products: positive definite
			v := mat.NewVecDense(n, nil)
			for i := range n {
				v.SetVec(i, rng.NormFloat64())
			}
			cov.SymRankOne(cov, 0.3, v)
		}
		var scale mat.SymDense
		scale.ScaleSym((tailDoF-2)/tailDoF, cov)
		reference, ok := distmv.NewStudentsT(make([]float64, n), &scale, tailDoF, nil)
		if !ok {
			t.Fatalf("covariance in %d dimensions is not positive definite", n)
		}
		var chol mat.Cholesky
		chol.Factorize(cov)
		for range 20 {
			x := mat.NewVecDense(n, nil)
			for i := range n {
				x.SetVec(i, 3*rng.NormFloat64())
			}
			var solved mat.VecDense
			if err := chol.SolveVecTo(&solved, x); err != nil {
				t.Fatal(err)
			}
			got, _ := TDensity(mat.Dot(x, &solved), chol.LogDet(), n)
			want := reference.LogProb(x.RawVector().Data)
			if math.Abs(got-want) > 1e-10*(1+math.Abs(want)) {
				t.Errorf("%d dimensions: log density %.12g, reference %.12g", n, got, want)
			}
		}
	}
}

// TestTDensityIsADensityOfItsCovariance integrates over one dimension: the mass is 1 and the variance the one that was given.
func TestTDensityIsADensityOfItsCovariance(t *testing.T) {
	const v = 0.7
	density := func(x float64) float64 {
		l, _ := TDensity(x*x/v, math.Log(v), 1)
		return math.Exp(l)
	}
	// x = tan(u) carries the whole line to a finite interval.
	over := func(f func(float64) float64) float64 {
		return quadrature.Fixed(func(u float64) float64 {
			c := math.Cos(u)
			return f(math.Tan(u)) / (c * c)
		}, -math.Pi/2, math.Pi/2, 400, quadrature.Legendre{}, 0)
	}
	if mass := over(density); math.Abs(mass-1) > 1e-9 {
		t.Errorf("the density integrates to %.12g", mass)
	}
	if got := over(func(x float64) float64 { return x * x * density(x) }); math.Abs(got-v) > 1e-6 {
		t.Errorf("variance %.9g, want %g", got, v)
	}
}

// TestTWeightIsTheSlopeOfTheDensity holds the weight against its definition: the score of the t density is the Gaussian's
// times the weight, so the log density falls by half the weight per unit of squared distance under the scale matrix
// (Lange, Little and Taylor 1989, equation 4).
func TestTWeightIsTheSlopeOfTheDensity(t *testing.T) {
	for _, n := range []int{1, 3, Dim} {
		last := 1.0
		for q := 0.0; q < 400; q += 0.37 {
			const h = 1e-4
			below, _ := TDensity(q-h, 0, n)
			above, _ := TDensity(q+h, 0, n)
			slope := (below - above) / h * (tailDoF - 2) / tailDoF // minus twice the slope, per unit under the scale
			_, weight := TDensity(q, 0, n)
			if want := min(1, max(minWeight, slope)); math.Abs(weight-want) > 1e-6 {
				t.Errorf("%d dimensions, distance %g: weight %g, slope asks for %g", n, q, weight, want)
			}
			if weight > last || weight < minWeight {
				t.Errorf("%d dimensions, distance %g: weight %g after %g", n, q, weight, last)
			}
			last = weight
		}
	}
}

// TestPlainTDensityIsTheSame: density and weight alone are those of TDensity, and where a float64 has no room they are none.
func TestPlainTDensityIsTheSame(t *testing.T) {
	for n := 1; n <= Dim; n++ {
		for _, q := range []float64{0, 0.3, 7, 1e4} {
			for _, logDet := range []float64{-40, -1, 0, 30} {
				want, weight := TDensity(q, logDet, n)
				if got := math.Log(PlainTDensity(q, math.Exp(logDet/2), n)); math.Abs(got-want) > 1e-10*(1+math.Abs(want)) {
					t.Errorf("%d dimensions, distance %g, log determinant %g: log density %.12g, want %.12g", n, q, logDet, got, want)
				}
				if got := TWeight(q, n); math.Abs(got-weight) > 1e-15 {
					t.Errorf("%d dimensions, distance %g: weight %g, want %g", n, q, got, weight)
				}
			}
		}
	}
	if got := PlainTDensity(1e60, 1, Dim); got != 0 {
		t.Errorf("a density below the range of float64 is %g", got)
	}
}
