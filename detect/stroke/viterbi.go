package stroke

import "math"

// viterbi finds the sequence of candidates with the largest likelihood under rhythm r: a marked alternating
// renewal process. Each edge contributes the likelihood ratio of its evidence (changeover of that side against
// clutter), each interval its density over the rate of chance candidates. Forney, Proc. IEEE 61, 1973, gives
// the recursion. The sequence is left in d.trial; its log-likelihood ratio against no edge is returned.
func (d *Decoder) viterbi(r Rhythm) float64 {
	d.trial = d.trial[:0]
	n := len(d.window)
	if n == 0 {
		return math.Inf(-1)
	}
	begin, end := d.Open()
	m := newModel(r, d.weights.total, float64(n)/(end-begin))
	if cap(d.best) < n {
		d.best = make([][2]float64, n)
		d.from = make([][2]int32, n)
	}
	d.best, d.from = d.best[:n], d.from[:n]
	for j := range n {
		c := &d.window[j]
		for s := range 2 {
			node := m.node(c.Z, s)
			d.best[j][s], d.from[j][s] = node+d.start(&m, c.At-begin, s), -1
			for i := j - 1; i >= max(0, j-lookback); i-- {
				gap := c.At - d.window[i].At
				if gap < d.MinStroke {
					continue
				}
				if v := d.best[i][1-s] + node + m.interval(gap, s); v > d.best[j][s] {
					d.best[j][s], d.from[j][s] = v, int32(i)
				}
			}
		}
	}
	at, side, score := -1, 0, math.Inf(-1)
	for j := range n {
		c := &d.window[j]
		for s := range 2 {
			if v := d.best[j][s] + m.open(end-c.At, 1-s); v > score {
				at, side, score = j, s, v
			}
		}
	}
	for at >= 0 {
		d.trial = append(d.trial, d.window[at].edge(uint8(side)))
		at, side = int(d.from[at][side]), 1-side
	}
	for i, j := 0, len(d.trial)-1; i < j; i, j = i+1, j-1 {
		d.trial[i], d.trial[j] = d.trial[j], d.trial[i]
	}
	return score
}

// lookback is how many candidates a stroke may leave out: more than noise puts into the longest hesitation.
const lookback = 40

// start is the log-likelihood of what lies before the first edge of the sequence, which comes after a time.
func (d *Decoder) start(m *model, after float64, side int) float64 {
	last, has := d.last()
	if !has {
		return m.open(after, side) - math.Log((m.r.Period[0]+m.r.Period[1])/2) - m.logRate
	}
	if int(last.Side) == side {
		return math.Inf(-1)
	}
	return m.interval(after, side)
}

// model holds what viterbi needs of a rhythm, precomputed.
type model struct {
	r       Rhythm
	total   float64
	height  [2]float64
	sigma   [2]float64 // scatter of the evidence of a side
	decay   float64    // of the clutter's density
	core    [2]float64 // log density at the usual duration
	tail    [2]float64 // log density of a hesitation just beyond it
	logRate float64    // log of the rate of chance candidates
}

// The share of strokes that are shorter than anything usual; and the degrees of freedom of the usual ones'
// scatter, which has heavier tails than a normal one.
const (
	shortShare = 1e-3
	freedom    = 4
)

func newModel(r Rhythm, total, rate float64) model {
	m := model{r: r, total: total, logRate: math.Log(rate), decay: max(1, clutter*total)}
	for s := range 2 {
		m.height[s] = r.Height[s] * total
		m.sigma[s] = math.Hypot(1, heightScatter*m.height[s])
		// Student's t with four degrees of freedom has the density 3/8 at its centre.
		m.core[s] = math.Log((1-r.Hesitation)*0.375/r.Spread[s]) - m.logRate
		m.tail[s] = math.Log(r.Hesitation/r.Delay) - m.logRate
	}
	return m
}

// The evidence of changeovers scatters by heightScatter, but for a share odd of them that can be anything, as the
// 0 ones after a hesitation, which fill a chamber against no pressure. The evidence of clutter falls off
// exponentially, within a distance of clutter; both relative to an ordinary changeover.
const (
	heightScatter = 0.12
	odd           = 0.15
	clutter       = 0.06
)

// node is the log-likelihood ratio of an evidence for a changeover of a side, bounded so that no single
// one outweighs the rhythm.
func (m *model) node(z float64, s int) float64 {
	u := (z - m.height[s]) / m.sigma[s]
	edge := (1-odd)*math.Exp(-u*u/2)/(m.sigma[s]*math.Sqrt(2*math.Pi)) + odd/(1.5*m.total)
	chance := -math.Log(m.decay) - (z-leastHeight(m.total))/m.decay
	return min(max(math.Log(edge)-chance, -20), 20)
}

// interval is the log density of a stroke's duration over the rate of chance candidates.
func (m *model) interval(gap float64, s int) float64 {
	u := (gap - m.r.Period[s]) / m.r.Spread[s]
	v := m.core[s] - (freedom+1)/2.0*math.Log1p(u*u/freedom)
	v = max(v, math.Log(shortShare/m.r.Period[s])-m.logRate)
	if u > 0 {
		v = max(v, m.tail[s]-(gap-m.r.Period[s])/m.r.Delay)
	}
	return v
}

// open is the log probability that a stroke of a side lasts at least as long as a stretch whose start or
// end is not seen.
func (m *model) open(gap float64, s int) float64 {
	over := gap - m.r.Period[s]
	if over <= 0 {
		return 0
	}
	u := over / m.r.Spread[s]
	// 1 - F(u) of Student's t with four degrees of freedom, doubled so that it starts from one.
	q := u / math.Sqrt(freedom+u*u)
	core := 1 - q*(1+(1-q*q)/2)
	return math.Log(max((1-m.r.Hesitation)*core+m.r.Hesitation*math.Exp(-over/m.r.Delay), 1e-12))
}
