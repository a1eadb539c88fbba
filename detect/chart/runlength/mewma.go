package runlength

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// MEWMA is the in-control ARL of the multivariate EWMA of p >= 1 independent coordinates (after whitening)
//
//	Z(0) = 0,  Z(n) = (1-lambda) Z(n-1) + lambda x(n),  signal when (2-lambda)/lambda |Z(n)|^2 > h
//
// (Lowry, Woodall, Champ and Rigdon 1992, Technometrics 34:46), h > 0 and 0 < lambda <= 1. Its length |Z| is a Markov chain by itself,
// whose kernel is the noncentral chi density (Rigdon 1995, J. Stat. Comput. Simul. 52:351).
func MEWMA(p int, lambda, h float64) float64 {
	finite(h)
	checkLambda(lambda)
	if p < 1 {
		panic("runlength: a MEWMA needs a coordinate")
	}
	checkLimit(h)
	// Lengths are in standard deviations of lambda x.
	c := math.Sqrt(h / (lambda * (2 - lambda)))
	r, w := nodes(0, c, 1)
	r, w = append([]float64{0}, r...), append([]float64{0}, w...)
	const tail = 80
	var beyond, weight [tail]float64
	quad.Legendre{}.FixedLocations(beyond[:], weight[:], c, c+math.Sqrt(float64(p))+10)
	return newChain(len(r), func(row []float64, i int) (exit float64) {
		m := (1 - lambda) * r[i]
		// Farther off the density is below exp(-100) of its height, which no run length shows.
		const far = 15.0
		low, high := m-far, m+math.Sqrt(float64(p))+far
		for j := 1; j < len(row); j++ {
			if r[j] > low && r[j] < high {
				row[j] = w[j] * chiDensity(p, m, r[j])
			}
		}
		for j := range beyond {
			exit += weight[j] * chiDensity(p, m, beyond[j])
		}
		return exit
	}).mean()
}

// MEWMALimit is the h at which MEWMA has the wanted ARL > 1.
func MEWMALimit(p int, lambda, arl float64) float64 {
	checkWanted(arl)
	return increasing(func(h float64) float64 { return math.Log(MEWMA(p, lambda, h) / arl) }, float64(p)+10)
}

// chiDensity is the density at r > 0 of the length of a vector of p independent normal coordinates of variance 1 whose mean has
// the length m: the noncentral chi distribution (Johnson, Kotz and Balakrishnan 1995, Continuous Univariate
// Distributions 2, ch. 29),
//
//	r exp(-(r^2+m^2)/2) (r^2/2)^(p/2-1) sum over j >= 0 of (r m/2)^(2j) / (j! Gamma(p/2+j)).
//
// The sum is taken outward from its largest term, in which all exponents are gathered, so that nothing overflows.
func chiDensity(p int, m, r float64) float64 {
	half := float64(p) / 2
	x := r * m / 2
	top := math.Floor((math.Hypot(half-1, 2*x) - (half - 1)) / 2) // where the ratio of neighbours passes 1
	top = max(top, 0)
	logTerm := -(r-m)*(r-m)/2 - 2*x // (r^2+m^2)/2, without the square of a large sum
	if top > 0 {
		logTerm += 2 * top * math.Log(x)
	}
	a, _ := math.Lgamma(top + 1)
	b, _ := math.Lgamma(half + top)
	logTerm += float64(p-1)*math.Log(r) - (half-1)*math.Ln2 - a - b

	const negligible = 1e-17
	sum := 1.0
	for j, t := top, 1.0; t > negligible*sum; {
		j++
		t *= x * x / (j * (half + j - 1))
		sum += t
	}
	for j, t := top, 1.0; j > 0 && t > negligible*sum; j-- {
		t *= j * (half + j - 1) / (x * x)
		sum += t
	}
	return math.Exp(logTerm) * sum
}
