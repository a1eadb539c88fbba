package stroke

import "math"

// leastHeight is the evidence from which a maximum is a candidate at all, where an ordinary changeover has total.
func leastHeight(total float64) float64 { return max(2, 0.06*total) }

// findCandidates collects the maxima of the evidence that have come. Where the inlet dips, the dip
// gives a candidate its time; else a parabola through the three samples at the top does.
func (d *Decoder) findCandidates(sp spans, lag int, final bool) {
	w := &d.weights
	gap := max(int(0.02/d.Step), 1)
	to := d.Ripe - gap
	if final {
		to = d.Ripe - 1
	}
	// What is remembered is weighed as the new is.
	for i := range d.Cands {
		c := &d.Cands[i]
		c.Z = float64(w.join(c.U, c.V, c.Fall))
	}
	least := float32(leastHeight(w.total))
	for i := max(d.Searched, 1); i < to && w.total > 0; i++ {
		if d.Z[i] < least || !isMaximum(d.Z, i, gap) {
			continue
		}
		top := i
		if w.in > 0 {
			top = d.deepest(sp, i)
		}
		c := candidate{Depth: math.NaN(), Width: math.NaN()}
		at := summit(d.Z, i)
		if top >= 0 {
			at = summit(d.In.F, top)
			if dip, ok := d.shape(at); ok {
				c = dip
			}
		}
		begin := float64(d.Base) * d.Step
		c.Top = at*d.Step + begin
		if math.IsNaN(c.Depth) {
			c.At = c.Top
		} else {
			c.At += begin
		}
		c.U, c.V, c.Fall, c.Z = d.In.E[i], d.Out.at(i+lag), d.In.fallAt(i), float64(d.Z[i])
		d.addCandidate(c)
	}
	d.Searched = max(to, d.Searched)
}

// How far the inlet's fall may lie from the maximum of the evidence, which the discharge pulls, s: of a big pump, whose discharge
// turns late, backShare shortest strokes before it.
const (
	fallReach = 0.050
	backShare = 1.5
)

// deepest is the place near i where the inlet falls most, -1 where it does not.
func (d *Decoder) deepest(sp spans, i int) int {
	top := -1
	most := float32(0)
	back, on := sp.back, sp.on
	if d.Rhythm.HasLag {
		back, on = 2*sp.n, 2*sp.n
	}
	for k := max(i-back, 1); k <= min(i+on, len(d.In.F)-2); k++ {
		if d.In.F[k] > most {
			top, most = k, d.In.F[k]
		}
	}
	return top
}

// summit is the place of the maximum of the parabola through e at i and its neighbours, of which e[i] is the largest.
func summit(e []float32, i int) float64 {
	if den := e[i-1] - 2*e[i] + e[i+1]; den < 0 {
		return float64(i) + float64(min(max((e[i-1]-e[i+1])/2/den, -0.5), 0.5))
	}
	return float64(i)
}

// sameDip is the time within which two candidates are the same dip, s.
const sameDip = 0.015

// addCandidate appends a candidate; of two that are the same dip, the one that stands out more is kept.
func (d *Decoder) addCandidate(c candidate) {
	for n := len(d.Cands); n > 0 && c.At < d.Cands[n-1].At+sameDip; n-- {
		if d.Cands[n-1].Z >= c.Z {
			return
		}
		d.Cands = d.Cands[:n-1]
	}
	d.Cands = append(d.Cands, c)
}

// edge is a candidate as an edge of which the side is open.
func (c *candidate) edge(side uint8) Edge {
	return Edge{At: c.At, Side: side, Evidence: c.Z, top: c.Top, Depth: c.Depth, Width: c.Width}
}
