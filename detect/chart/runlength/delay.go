package runlength

import "math"

// CUSUMSteadyDelay is the steady-state average delay of the one-sided CUSUM: the mean number of observations that it takes
// to signal a shift to mean mu, which comes long after the start and before any signal,
//
//	D = lim(m -> inf) E(N - m + 1 | N >= m, shift from observation m on)
//
// (Crosier 1986, Technometrics 28:187): the ARL averaged over the quasi-stationary distribution of S in control.
func CUSUMSteadyDelay(k, h, mu float64) float64 {
	c := newCUSUM(k, h, 0)
	inControl := c.shifted(0)
	m := start(len(c.s))
	for change := math.Inf(1); change > settled; {
		_, change = m.advance(inControl)
	}
	// The start's own state is left at once and for good. It now stands for a start that is drawn from that distribution.
	out := c.shifted(mu)
	first := make([]float64, len(c.s))
	out.exit[0], _ = m.advance(out)
	for j := range first {
		first[j] = m.at.AtVec(j) * (1 - out.exit[0])
	}
	out.step.SetRow(0, first)
	return out.mean()
}

// CUSUMDrift is the ARL of the one-sided CUSUM of observations whose mean drifts from the start: that of observation
// n = 1, 2, ... is n*slope, slope > 0 (Gan 1992, J. Stat. Comput. Simul. 43:79). It is the sum of P(N > n) over n >= 0.
func CUSUMDrift(k, h, slope float64) float64 {
	finite(slope)
	if slope <= 0 {
		panic("runlength: slope of a drift is not positive")
	}
	const rest = 1e-14 // survivors that no longer add to the sum
	c := newCUSUM(k, h, 0)
	m := start(len(c.s))
	arl, survival := 0.0, 1.0
	for n := 1.0; survival > rest; n++ {
		arl += survival
		hazard, _ := m.advance(c.shifted(n * slope))
		survival *= 1 - hazard
	}
	return arl
}

// CUSUMSurvival is P(N > n), the probability that the one-sided CUSUM of observations of mean mu has given no signal after
// n >= 0 of them (Waldmann 1986, Technometrics 28:61, whose bounds close where the distribution over S has settled).
func CUSUMSurvival(k, h, mu float64, n int64) float64 {
	if n < 0 {
		panic("runlength: number of observations is negative")
	}
	c := newCUSUM(k, h, 0)
	chain := c.shifted(mu)
	m := start(len(c.s))
	logSurvival := 0.0
	for i := range n {
		hazard, change := m.advance(chain)
		logSurvival += math.Log1p(-hazard)
		if change <= settled { // from here on the run length is geometric
			logSurvival += float64(n-i-1) * math.Log1p(-hazard)
			break
		}
	}
	return math.Exp(logSurvival)
}
