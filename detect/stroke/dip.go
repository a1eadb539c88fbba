package stroke

import (
	"math"

	"diastole/detect/robust"
)

// A dip comes back: the small volume between regulator and valve fills within some ten milliseconds. What falls
// and stays down is a regulator that settles, or another user of the header. So the inlet has to come back by half
// within slowRecovery (of a big pump: slowShare shortest strokes), and within fastRecovery (fastShare) by a good part of what the
// tall falls of the same pump do, of which leastReturn is the least that is believed. A fall that comes back, but
// later than those, may be that of a chamber that a torn diaphragm lets fill into the line: it keeps a part, lateShare.
const (
	fastRecovery = 0.075
	fastShare    = 1.2
	slowRecovery = 0.200
	slowShare    = 3
	leastReturn  = 0.3
	lateShare    = 0.35
)

// chanceRise is by how much, in standard deviations of a fall, the largest of the means that rise looks at exceeds
// the true one by chance.
const chanceRise = 1.5

// spans are the lengths of the evidence in grid steps: n of the inlet's means, fast and slow of its return; w and h of the
// discharge's bend; lag the most by which the discharge may be later; back and on how far before and after the maximum of the
// evidence the inlet's fall may lie.
type spans struct{ n, fast, slow, w, h, lag, back, on int }

func (s *State) spans() spans {
	in := func(seconds float64) int { return round(seconds / s.Step) }
	n := max(in(inletSpan*s.MinStroke), 1)
	return spans{
		n: n, fast: n + max(in(max(fastRecovery, fastShare*s.MinStroke)), n),
		slow: n + max(in(max(slowRecovery, slowShare*s.MinStroke)), 2*n),
		w:    max(in(dischargeSpan*s.MinStroke), 3), h: in(dischargeMean * s.MinStroke),
		lag: in(min(maxLag, lagShare*s.MinStroke)), back: in(max(fallReach, backShare*s.MinStroke)), on: in(fallReach),
	}
}

func round(x float64) int { return int(math.Round(x)) }

// dips extends the inlet's evidence up to a place: its falls, each of which counts only as far as it comes back. Where the
// stretch ends before that is seen, it counts in full.
func (d *Decoder) dips(sp spans, to int) {
	l := &d.In
	from, known := len(l.E), len(l.Peaks)
	l.findPeaks(l.F, from, to, sp.n)
	for k := known; k < len(l.Peaks); k++ {
		p := &l.Peaks[k]
		p.Soon = float32(math.NaN())
		if p.At+sp.fast < len(l.M) {
			p.Soon = l.rise(p.At, sp.n, sp.fast)
		}
	}
	chance := chanceRise * float32(l.White)
	typical, usual := d.typicalReturn()
	// What is too small for a candidate needs no closer look.
	least := max(float32(l.White), 0.06*usual)
	for i := from; i < to; i++ {
		e := float32(0)
		if i < len(l.F) {
			e = l.F[i]
		}
		if e > least && i+sp.slow < len(l.M) {
			soon := l.rise(i, sp.n, sp.fast)
			back := e
			if 2*(soon-chance) < e {
				late := max(soon, l.top(i+sp.fast+1, i+sp.slow)-l.M[i+sp.n])
				back = min(e, 2*(late-chance))
			}
			e = max(min(back, 1.5*(soon-chance)/typical), lateShare*back, 0)
		}
		l.E = append(l.E, e)
	}
	for k := known; k < len(l.Peaks); k++ {
		p := &l.Peaks[k]
		p.Height = l.E[p.At]
		if p.At+1 < to {
			p.Height = max(p.Height, l.E[p.At+1])
		}
		p.Height = max(p.Height, l.E[p.At-1])
	}
}

// top is the largest of the means in [from, to].
func (l *lane) top(from, to int) float32 {
	top := float32(math.Inf(-1))
	for _, v := range l.M[from : to+1] {
		if v > top {
			top = v
		}
	}
	return top
}

// rise is how far the inlet comes back within some samples of a fall at i, from its mean over the n samples after it.
func (l *lane) rise(i, n, within int) float32 { return l.top(i+2*n, i+within) - l.M[i+n] }

// typicalReturn is the median, over the tall falls, of the part that comes back soon, and half of the largest but one.
func (d *Decoder) typicalReturn() (share, height float32) {
	var first, second float32
	for _, p := range d.In.Peaks {
		switch {
		case p.Fall > first:
			first, second = p.Fall, first
		case p.Fall > second:
			second = p.Fall
		}
	}
	d.short = d.short[:0]
	for _, p := range d.In.Peaks {
		if v := p.Soon / p.Fall; v == v && p.Fall >= second/2 {
			d.short = append(d.short, v)
		}
	}
	if len(d.short) == 0 {
		return 1, second / 2
	}
	return min(max(robust.Select(d.short, len(d.short)/2), leastReturn), 1.5), second / 2
}
