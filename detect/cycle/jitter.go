package cycle

import "math"

// Jitter is the beat-to-beat jitter of cycle times: the root of half the mean square of successive differences, over the mean,
// dimensionless. A slow drift of the pump's pace does not count in it, and for cycles that are independent it is their coefficient
// of variation (von Neumann, Kent, Bellinson and Hart, "The mean square successive difference", Annals of Mathematical Statistics
// 12(2), 1941). Its standard error is that of the same paper's variance of the mean square, for normal cycles. Runs without a gap
// are given one by one; both are NaN where there are less than three differences.
func Jitter(runs ...[]float64) (jitter, se float64) {
	var square, sum, n, d float64
	for _, r := range runs {
		for i, v := range r {
			sum += v
			n++
			if i > 0 {
				square += (v - r[i-1]) * (v - r[i-1])
				d++
			}
		}
	}
	if d < 3 {
		return math.NaN(), math.NaN()
	}
	jitter = math.Sqrt(square/d/2) / (sum / n)
	// The variance of the mean square d2 of m = d differences is 4 sigma^4 (3m - 1) / m^2, and d2 is 2 sigma^2 in the mean.
	return jitter, jitter * math.Sqrt(3*d-1) / d / 2
}
