package runlength

// CUSUMMarkov is CUSUM by the Markov chain of Brook and Evans (1972, Biometrika 59:539): S rounded to t >= 2 states, the first of which stands
// for S = 0, w = 2h/(2t-1) apart. Its error falls as 1/t^2. It is the independent check of CUSUM.
func CUSUMMarkov(k, h, mu float64, t int) float64 {
	finite(k, h, mu)
	checkLimit(h)
	if t < 2 {
		panic("runlength: a chain needs two states")
	}
	w := 2 * h / float64(2*t-1)
	// State i > 0 stands for S = (i-1)w; state 0 is the start, at S = 0 too.
	return newChain(t+1, func(row []float64, i int) float64 {
		ref := float64(max(i-1, 0))*w - k + mu
		row[1] = above(ref - w/2)
		for j := 2; j <= t; j++ {
			y := float64(j-1) * w
			row[j] = between(y-w/2-ref, y+w/2-ref)
		}
		return above(h - ref)
	}).mean()
}

// between is the probability that a standard normal variable lies in (a, b), exact in both tails.
func between(a, b float64) float64 {
	if a > 0 {
		return above(a) - above(b)
	}
	return above(-b) - above(-a)
}
