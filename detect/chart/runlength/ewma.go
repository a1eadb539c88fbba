package runlength

import "math"

// EWMA is the ARL of the two-sided exponentially weighted moving average
//
//	Z(0) = 0,  Z(n) = (1-lambda) Z(n-1) + lambda x(n),  signal when |Z(n)| > l sqrt(lambda/(2-lambda)),
//
// 0 < lambda <= 1, of observations of mean mu: limits l > 0 are in asymptotic standard deviations of Z and do not widen with n
// (Crowder 1987, Technometrics 29:401; Lucas and Saccucci 1990, Technometrics 32:1).
func EWMA(lambda, l, mu float64) float64 {
	finite(l, mu)
	checkLambda(lambda)
	checkLimit(l)
	c := l * math.Sqrt(lambda/(2-lambda))
	z, w := nodes(-c, c, lambda)
	z, w = append([]float64{0}, z...), append([]float64{0}, w...)
	return newChain(len(z), func(row []float64, i int) float64 {
		mean := (1-lambda)*z[i] + lambda*mu
		for j := range row {
			row[j] = w[j] / lambda * density((z[j]-mean)/lambda)
		}
		return above((c-mean)/lambda) + above((c+mean)/lambda)
	}).mean()
}

// EWMALimit is the l at which EWMA has the wanted ARL > 1 in control.
func EWMALimit(lambda, arl float64) float64 {
	checkLambda(lambda)
	checkWanted(arl)
	return increasing(func(l float64) float64 { return math.Log(EWMA(lambda, l, 0) / arl) }, 2)
}

func checkLambda(lambda float64) {
	if !(lambda > 0 && lambda <= 1) {
		panic("runlength: lambda is not in (0, 1]")
	}
}

func checkWanted(arl float64) {
	finite(arl)
	if arl <= 1 {
		panic("runlength: wanted ARL is not above 1")
	}
}
