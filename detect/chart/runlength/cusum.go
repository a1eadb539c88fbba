package runlength

import "math"

// CUSUM is the ARL of the one-sided CUSUM
//
//	S(0) = 0,  S(n) = max(0, S(n-1) + x(n) - k),  signal when S(n) > h,
//
// of observations with mean mu: L(s) = 1 + P(x <= k-s) L(0) + integral over y in (0, h] of phi(y+k-s-mu) L(y)
// (Page 1954, Biometrika 41:100; Goel and Wu 1971, Technometrics 13:221). It is also that of the lower side, with -mu.
func CUSUM(k, h, mu float64) float64 { return CUSUMHeadstart(k, h, mu, 0) }

// CUSUMHeadstart is the ARL of the one-sided CUSUM that starts at S(0) = s0, 0 <= s0 <= h; at h/2 it is the fast
// initial response of Lucas and Crosier (1982, Technometrics 24:199).
func CUSUMHeadstart(k, h, mu, s0 float64) float64 { return newCUSUM(k, h, s0).shifted(mu).mean() }

// CUSUMTwoSided is the ARL of an upper and a lower CUSUM with the same k >= 0 and h, the first of which to signal
// ends the run: 1/L = 1/L(upper) + 1/L(lower), which is exact for k >= 0 (Van Dobben de Bruyn 1968, Cumulative Sum Tests; Kemp
// 1971, J. R. Stat. Soc. C 20:39).
func CUSUMTwoSided(k, h, mu float64) float64 { return CUSUMTwoSidedHeadstart(k, h, mu, 0) }

// CUSUMTwoSidedHeadstart is CUSUMTwoSided with both sides starting at s0, 0 <= s0 <= h/2:
//
//	L = (U(s0) W(0) + U(0) W(s0) - U(0) W(0)) / (U(0) + W(0)),
//
// U and W being the ARLs of the upper and the lower side (Lucas and Crosier 1982, Technometrics 24:199, appendix). One side
// that rises from s0 to h takes the other from s0 below 0, so it is exact.
func CUSUMTwoSidedHeadstart(k, h, mu, s0 float64) float64 {
	if k < 0 {
		panic("runlength: k of a two-sided CUSUM is negative")
	}
	if s0 > h/2 {
		panic("runlength: headstart of a two-sided CUSUM is above h/2")
	}
	up, low := CUSUM(k, h, mu), CUSUM(k, h, -mu)
	if s0 == 0 {
		return 1 / (1/up + 1/low)
	}
	// The first two terms are at most about as large as the third: divided by U(0) W(0) nothing overflows.
	return (CUSUMHeadstart(k, h, mu, s0)/up + CUSUMHeadstart(k, h, -mu, s0)/low - 1) / (1/up + 1/low)
}

// CUSUMLimit is the h at which the one-sided CUSUM has the wanted ARL in control (mu = 0), k >= 0. The ARL at h = 0,
// which no limit can undercut, is 1/P(x > k): the wanted one must be more.
func CUSUMLimit(k, arl float64) float64 {
	finite(k, arl)
	if k < 0 {
		panic("runlength: k of a CUSUM with a wanted ARL is negative")
	}
	if arl <= 1/above(k) {
		panic("runlength: wanted ARL is not above that of an observation beyond k")
	}
	return increasing(func(h float64) float64 { return math.Log(CUSUM(k, h, 0) / arl) }, 1)
}

// CUSUMTwoSidedLimit is the h at which the two-sided CUSUM has the wanted ARL in control: that of one side at twice the ARL.
func CUSUMTwoSidedLimit(k, arl float64) float64 { return CUSUMLimit(k, 2*arl) }

// cusum is a one-sided CUSUM on its quadrature nodes: state 0 is the start, state 1 is S = 0, the others are the nodes in (0, h).
type cusum struct {
	k, h float64
	s, w []float64
}

func newCUSUM(k, h, s0 float64) cusum {
	finite(k, h, s0)
	checkLimit(h)
	if s0 < 0 || s0 > h {
		panic("runlength: headstart is outside of 0 to h")
	}
	x, w := nodes(0, h, 1)
	return cusum{k: k, h: h, s: append([]float64{s0, 0}, x...), w: append([]float64{0, 0}, w...)}
}

// shifted is the chain for observations of mean mu.
func (c cusum) shifted(mu float64) chain {
	finite(mu)
	return newChain(len(c.s), func(row []float64, i int) float64 {
		ref := c.s[i] - c.k + mu // where the next S lies on average, if it were not held at 0
		row[1] = above(ref)
		for j := 2; j < len(row); j++ {
			row[j] = c.w[j] * density(c.s[j]-ref)
		}
		return above(c.h - ref)
	})
}

func checkLimit(h float64) {
	if h <= 0 {
		panic("runlength: limit is not positive")
	}
}

// finite panics where an argument is not a number.
func finite(x ...float64) {
	for _, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			panic("runlength: argument is not a finite number")
		}
	}
}
