// Package robust holds the few statistics that stand between noisy strokes and a feature: location and
// scale that a handful of wild values cannot move, and standard errors that know of serial correlation.
// Functions that need a sorted copy take a scratch slice, so that a caller in a loop allocates nothing.
package robust

import (
	"math"
	"slices"
)

// MADScale turns a median absolute deviation into the standard deviation of a normal sample,
// 1/Phi^-1(3/4) (Rousseeuw and Croux, J. Am. Stat. Assoc. 88, 1993, p. 1273).
const MADScale = 1.482602218505602

// Quantile is the p-quantile of x by linear interpolation between order statistics (Hyndman and Fan,
// The American Statistician 50, 1996, definition 7), NaN for an empty x. It panics when p is not in [0, 1].
func Quantile(x []float64, p float64, scratch []float64) float64 {
	if !(p >= 0 && p <= 1) {
		panic("robust: p is not in [0, 1]")
	}
	if len(x) == 0 {
		return math.NaN()
	}
	return selectQuantile(append(scratch[:0], x...), p)
}

// selectQuantile is Quantile of an x that is not empty and whose order it changes.
func selectQuantile(x []float64, p float64) float64 {
	h := p * float64(len(x)-1)
	i := int(h)
	if i >= len(x)-1 {
		return slices.Max(x)
	}
	v := Select(x, i)
	if h == float64(i) {
		return v
	}
	return v + (h-float64(i))*(slices.Min(x[i+1:])-v)
}

// Select puts the element of rank k (from 0) of x in its place, smaller ones before it and larger ones after it, and
// returns it (Hoare, Comm. ACM 4, 1961, algorithm 65; the pivot is the median of three). No x is NaN. It panics when there is
// no such rank.
func Select[F float32 | float64](x []F, k int) F {
	low, high := 0, len(x)-1
	for high-low > 12 {
		mid := int(uint(low+high) / 2)
		a, b, c := x[low], x[mid], x[high]
		pivot := max(min(a, b), min(max(a, b), c))
		i, j := low, high
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return x[k]
		}
	}
	for i := low + 1; i <= high; i++ {
		v, j := x[i], i
		for ; j > low && x[j-1] > v; j-- {
			x[j] = x[j-1]
		}
		x[j] = v
	}
	return x[k]
}

// SortedQuantile is Quantile of an x that is already in ascending order and not empty.
func SortedQuantile(x []float64, p float64) float64 {
	h := p * float64(len(x)-1)
	i := int(h)
	if i >= len(x)-1 {
		return x[len(x)-1]
	}
	return x[i] + (h-float64(i))*(x[i+1]-x[i])
}

// Median is the middle value of x, the mean of the two middle ones for an even number, NaN for an empty x.
func Median(x, scratch []float64) float64 { return Quantile(x, 0.5, scratch) }

// MAD is the median absolute deviation of x from its median, not scaled, NaN for an empty x.
func MAD(x, scratch []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	_, mad := medianMAD(x, scratch)
	return mad
}

// medianMAD is Median and MAD of an x that is not empty.
func medianMAD(x, scratch []float64) (median, mad float64) {
	s := append(scratch[:0], x...)
	median = selectQuantile(s, 0.5)
	for i := range s {
		s[i] = math.Abs(s[i] - median)
	}
	return median, selectQuantile(s, 0.5)
}

// Mean is the arithmetic mean of x, with a second pass that removes the rounding of the first, NaN for
// an empty x.
func Mean(x []float64) float64 {
	n := float64(len(x))
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	m := sum / n
	rest := 0.0
	for _, v := range x {
		rest += v - m
	}
	return m + rest/n
}

// StdDev is the sample standard deviation of x (divisor n-1) by the corrected two-pass algorithm (Chan,
// Golub and LeVeque, The American Statistician 37, 1983), NaN for fewer than two values.
func StdDev(x []float64) float64 {
	n := float64(len(x))
	if n < 2 {
		return math.NaN()
	}
	m := Mean(x)
	sum, sq := 0.0, 0.0
	for _, v := range x {
		d := v - m
		sum += d
		sq += d * d
	}
	return math.Sqrt((sq - sum*sum/n) / (n - 1))
}

// Autocorrelation is the correlation of x with itself at a lag: the lagged products about the mean of
// all, over the sum of squares about it (Box and Jenkins, Time Series Analysis, eq. 2.1.12). It is NaN
// where x is constant or shorter than the lag.
func Autocorrelation(x []float64, lag int) float64 {
	if lag < 0 || lag >= len(x) {
		return math.NaN()
	}
	m := Mean(x)
	num, den := 0.0, 0.0
	for i, v := range x {
		d := v - m
		den += d * d
		if i >= lag {
			num += d * (x[i-lag] - m)
		}
	}
	return num / den
}

// Kept copies to dst those values of x that lie within cut standard deviations of the median, the
// standard deviation taken from the MAD (Hampel, J. Am. Stat. Assoc. 69, 1974). Where the MAD is zero all
// are kept.
func Kept(dst, x []float64, cut float64, scratch []float64) []float64 {
	dst = dst[:0]
	if len(x) == 0 {
		return dst
	}
	med, mad := medianMAD(x, scratch)
	limit := cut * MADScale * mad
	for _, v := range x {
		if limit == 0 || math.Abs(v-med) <= limit {
			dst = append(dst, v)
		}
	}
	return dst
}

// MeanError is the standard error of the mean of the series x, in order of time, whose neighbours may be
// correlated up to maxLag: the square root of (g0 + 2 sum gk)/n with the sample autocovariances gk (Priestley, Spectral
// Analysis and Time Series, 1981, eq. 5.3.5). Taking the mean out makes that sum too small by the part (2 maxLag+1)/n,
// which is made good. A sum below half of g0 is held there: so small a one is chance. It is NaN for fewer than
// three values.
func MeanError(x []float64, maxLag int) float64 {
	n := len(x)
	if n < 3 {
		return math.NaN()
	}
	lags := min(maxLag, (n-1)/6)
	m := Mean(x)
	var g0, sum float64
	for _, v := range x {
		g0 += (v - m) * (v - m)
	}
	for k := 1; k <= lags; k++ {
		for i := k; i < n; i++ {
			sum += 2 * (x[i] - m) * (x[i-k] - m)
		}
	}
	return math.Sqrt(max(g0+sum, g0/2) / float64(n-1-2*lags) / float64(n))
}

// QuantileError is Quantile with its standard error, half the distance between the order statistics that lie one
// standard deviation of the binomial distribution to either side (Conover, Practical Nonparametric Statistics,
// 1999, sec. 3.2). Both are NaN for fewer than four values.
func QuantileError(x []float64, p float64, scratch []float64) (q, se float64) {
	if len(x) < 4 {
		return math.NaN(), math.NaN()
	}
	s := append(scratch[:0], x...)
	slices.Sort(s)
	h := math.Sqrt(p * (1 - p) / float64(len(s)))
	low, high := SortedQuantile(s, max(p-h, 0)), SortedQuantile(s, min(p+h, 1))
	return SortedQuantile(s, p), (high - low) / 2
}
