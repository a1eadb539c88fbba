package runlength

import "math"

// CUSUMSiegmund approximates CUSUM without solving anything: with D = mu-k and b = h+1.166,
//
//	L = (exp(-2Db) + 2Db - 1) / (2 D^2),  b^2 where D = 0
//
// (Siegmund 1985, Sequential Analysis, eq. 2.57). It is within some 3 % from h = 3 on.
func CUSUMSiegmund(k, h, mu float64) float64 {
	finite(k, h, mu)
	checkLimit(h)
	const overshoot = 1.166 // twice the mean overshoot of a normal random walk, 0.583
	b := h + overshoot
	u := 2 * (mu - k) * b
	if math.Abs(u) < 1e-8 {
		return b * b
	}
	// Expm1 keeps the digits that 1 would take from small u: exp(-u) - 1 + u.
	return 2 * b * b * (math.Expm1(-u) + u) / (u * u)
}
