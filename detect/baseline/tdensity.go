package baseline

import "math"

// tailDoF is the degrees of freedom of the t distribution that stands for heavy tails: at 5 one epoch in
// some hundreds may lie far out (a passing lump, a valve half turned) without being taken for news.
const tailDoF = 5.0

// minWeight bounds how little an outlying epoch may count.
const minWeight = 0.05

// TDensity is the log density of a multivariate t distribution with the covariance whose squared Mahalanobis
// distance is q and log determinant logDet, in n dimensions, and the weight (at most 1) that the observation
// deserves as one of a Gaussian with inflated noise (Lange, Little and Taylor 1989, J. Am. Stat. Assoc. 84:881).
func TDensity(q, logDet float64, n int) (logDensity, weight float64) {
	const nu = tailDoF
	m := float64(n)
	q *= nu / (nu - 2) // distance under the t's scale matrix, whose covariance is nu/(nu-2) times it
	logDensity = tNorm[n] - 0.5*logDet - 0.5*(nu+m)*math.Log1p(q/nu)
	return logDensity, min(1, max(minWeight, (nu+m)/(nu+q)))
}

// TWeight is the weight of TDensity alone.
func TWeight(q float64, n int) float64 {
	const nu = tailDoF
	return min(1, max(minWeight, (nu+float64(n))/(nu+q*(nu/(nu-2)))))
}

// PlainTDensity is the density of TDensity itself and not its logarithm, without a call of one: the charts weigh a
// thousand of them an epoch. root is the square root of the determinant. It is 0 where a float64 has no room for it.
func PlainTDensity(q, root float64, n int) float64 {
	// The power (nu+n)/2 of the density is a whole number of halves.
	y, power := 1+q/(tailDoF-2), 1.0
	k := uint(tailDoF) + uint(n)
	if k%2 == 1 {
		power = math.Sqrt(y)
	}
	for k /= 2; k > 0; k /= 2 {
		if k%2 == 1 {
			power *= y
		}
		y *= y
	}
	return tScale[n] / (root * power)
}

// tScale is the density's constant for each dimension.
var tScale = func() (c [Dim + 1]float64) {
	for n := range c {
		c[n] = math.Exp(tNorm[n])
	}
	return c
}()

// tNorm is the logarithm of the density's constant for each dimension.
var tNorm = func() (c [Dim + 1]float64) {
	for n := range c {
		m := float64(n)
		a, _ := math.Lgamma((tailDoF + m) / 2)
		b, _ := math.Lgamma(tailDoF / 2)
		c[n] = a - b - 0.5*m*math.Log((tailDoF-2)*math.Pi)
	}
	return c
}()
