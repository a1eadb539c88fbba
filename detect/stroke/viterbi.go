package stroke

import "math"

// step is the best way to a candidate in one state: its log-likelihood, and the candidate and state before it, From
// negative where it is the first.
type step struct {
	score  float64
	from   int32
	hurled bool
}

// steps are those of a candidate: for each side, and for a pump that hurries or does not.
type steps [2][2]step

// viterbi finds the sequence of candidates with the largest likelihood under rhythm r: a marked alternating
// renewal process. Each edge contributes the likelihood ratio of its evidence (changeover of that side against
// clutter), each interval its density over the rate of chance candidates. Forney, Proc. IEEE 61, 1973, gives
// the recursion. After a hang the pump hurries for some strokes: it runs against a line that has lost its pressure. The
// sequence is left in d.trial; its log-likelihood ratio against no edge is returned.
func (d *Decoder) viterbi(r Rhythm) float64 {
	d.trial = d.trial[:0]
	n := len(d.window)
	if n == 0 {
		return math.Inf(-1)
	}
	begin, end := d.Open()
	m := newModel(r, d.weights.total, float64(n)/(end-begin))
	if cap(d.best) < n {
		d.best = make([]steps, n)
	}
	d.best = d.best[:n]
	for j := range n {
		for s := range 2 {
			d.reach(&m, j, s, begin)
		}
	}
	at, side, hurry, score := -1, 0, 0, math.Inf(-1)
	for j := range n {
		for s := range 2 {
			open := m.open(end-d.window[j].At, 1-s)
			for h := range 2 {
				if v := d.best[j][s][h].score + open; v > score {
					at, side, hurry, score = j, s, h, v
				}
			}
		}
	}
	for at >= 0 {
		d.trial = append(d.trial, d.window[at].edge(uint8(side)))
		b := &d.best[at][side][hurry]
		at, side, hurry = int(b.from), 1-side, 0
		if b.hurled {
			hurry = 1
		}
	}
	for i, j := 0, len(d.trial)-1; i < j; i, j = i+1, j-1 {
		d.trial[i], d.trial[j] = d.trial[j], d.trial[i]
	}
	return score
}

// lookback is how many candidates a stroke may leave out: more than noise puts into the longest hesitation.
const lookback = 40

// reach finds the best ways to candidate j as the end of a stroke of side s.
func (d *Decoder) reach(m *model, j, s int, begin float64) {
	c := &d.window[j]
	node := m.node(c.Z, s)
	any := max(node, m.anything(c.Z))
	none := step{score: math.Inf(-1), from: -1}
	d.best[j][s] = [2]step{none, none}
	take := func(score float64, from int, gap float64, hurried bool) {
		h := 0
		if m.hurries(gap, s, hurried) {
			h = 1
		}
		if b := &d.best[j][s][h]; score > b.score {
			*b = step{score, int32(from), hurried}
		}
	}
	start, hurried := d.start(m, c.At-begin, s)
	if hurried {
		take(start+any, -1, c.At-begin, true)
	} else {
		take(start+node, -1, c.At-begin, false)
	}
	for i := j - 1; i >= max(0, j-lookback); i-- {
		gap := c.At - d.window[i].At
		if gap < d.MinStroke {
			continue
		}
		usual := m.interval(gap, s)
		before := &d.best[i][1-s]
		if v := before[0].score; v > math.Inf(-1) {
			take(v+node+usual, i, gap, false)
		}
		if v := before[1].score; v > math.Inf(-1) {
			take(v+any+m.hurried(gap, s, usual), i, gap, true)
		}
	}
}

// start is the log-likelihood of what lies before the first edge of the sequence, which comes after a time; hurried tells that
// the pump had hung before that.
func (d *Decoder) start(m *model, after float64, side int) (score float64, hurried bool) {
	last, has := d.last()
	if !has {
		return m.open(after, side) - math.Log((m.r.Period[0]+m.r.Period[1])/2) - m.logRate, false
	}
	if int(last.Side) == side {
		return math.Inf(-1), false
	}
	usual := m.interval(after, side)
	if n := len(d.Recent); n > 1 && m.hurries(last.At-d.Recent[n-2].At, int(last.Side), false) {
		return m.hurried(after, side, usual), true
	}
	return usual, false
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

// A stroke that lasts longer than hung usual ones is a hang; after it the pump hurries as long as strokes are shorter than
// quick usual ones.
const (
	hung  = 1.6
	quick = 0.85
)

// hurries tells whether the pump hurries after a stroke of a side that lasted so long, s, and whether it did before.
func (m *model) hurries(gap float64, s int, before bool) bool {
	return gap > hung*m.r.Period[s] || before && gap < quick*m.r.Period[s]
}

// hurried is interval for a pump that hurries: usual is that of one that does not, and half of the strokes take any time up to
// the usual one.
func (m *model) hurried(gap float64, s int, usual float64) float64 {
	v := usual - math.Ln2
	if gap < m.r.Period[s] {
		v = max(v, -math.Ln2-math.Log(m.r.Period[s])-m.logRate)
	}
	return v
}

// anything is node for the changeover of a pump that hurries, which can look like anything.
func (m *model) anything(z float64) float64 {
	chance := -math.Log(m.decay) - (z-leastHeight(m.total))/m.decay
	return min(max(math.Log(0.5/(1.5*m.total))-chance, -20), 20)
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
