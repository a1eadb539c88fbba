package stroke

import (
	"math"
	"slices"

	"diastole/detect/robust"
)

// search finds the sequence of candidates, and the rhythm behind it, that explain best what is not settled. It is left in d.path,
// the rhythm in d.Rhythm.
func (d *Decoder) search(c Counter) {
	d.openCandidates()
	s := trial{d: d, c: c, score: -c.penalty(0)}
	d.path = d.path[:0]
	if d.Rhythm.Known {
		s.try(d.Rhythm, 1)
	}
	if !d.Rhythm.Known || !d.explained(c, s.rhythm) {
		if d.Rhythm.Known {
			s.try(s.rhythm, rounds-1)
			s.handicap = surprise
		}
		even, n := d.plainRhythm(0.5)
		s.tryBoth(even)
		// What a counter confirms needs no hidden changeovers: whatever follows each dip alike may look like them.
		if uneven, m := d.plainRhythm(0.2); m != n && !c.confirms(len(d.path)) {
			s.tryBoth(uneven)
		}
		if limp, ok := d.limpingRhythm(); ok && !c.confirms(len(d.path)) {
			s.handicap += limpCost
			s.tryBoth(limp)
		}
	}
	if len(d.path) > 3 {
		s.rhythm.Lag, s.rhythm.HasLag = d.Rhythm.Lag, d.Rhythm.HasLag
		s.rhythm.Known = true
		d.Rhythm = s.rhythm
	}
}

// last is the last settled edge; ok is false where there is none.
func (d *Decoder) last() (e Edge, ok bool) {
	if n := len(d.Recent); n > 0 {
		return d.Recent[n-1], true
	}
	return Edge{}, false
}

// openCandidates puts those after the last settled edge into d.window.
func (d *Decoder) openCandidates() {
	d.window = d.window[:0]
	last, has := d.last()
	for _, c := range d.Cands {
		if !has || c.At >= last.At+d.MinStroke {
			d.window = append(d.window, c)
		}
	}
}

// trial is the search for the rhythm that explains best; the best sequence so far is in the decoder's path.
type trial struct {
	d      *Decoder
	c      Counter
	score  float64
	rhythm Rhythm
	// handicap is what the next rhythms must explain better, as a log-likelihood.
	handicap float64
}

// The prior log odds against a rhythm unlike the known one, which a pump seldom changes within seconds; and against
// one in which every second dip hides: what follows a dip at a fixed distance may be the regulator's or the hose's.
const (
	surprise = 8
	limpCost = 4
)

// try fits a rhythm in a number of rounds and keeps it where it is the best so far.
func (s *trial) try(r Rhythm, rounds int) {
	score, fitted := s.d.fit(r, rounds)
	if score -= s.c.penalty(len(s.d.trial)) + s.handicap; score > s.score {
		s.score, s.rhythm = score, fitted
		s.d.path = append(s.d.path[:0], s.d.trial...)
	}
}

// tryBoth tries a rhythm of which it is not known which side is which.
func (s *trial) tryBoth(r Rhythm) {
	s.try(r, rounds)
	if len(s.d.Recent) > 0 && (r.Height[0] != r.Height[1] || r.Period[0] != r.Period[1]) {
		r.Period[0], r.Period[1] = r.Period[1], r.Period[0]
		r.Spread[0], r.Spread[1] = r.Spread[1], r.Spread[0]
		r.Height[0], r.Height[1] = r.Height[1], r.Height[0]
		s.try(r, rounds)
	}
}

// explained reports whether the sequence in d.path leaves nothing open: all strokes are as long as usual, all
// changeovers as tall, no candidate of half their height is left out, and the counter agrees.
func (d *Decoder) explained(counter Counter, r Rhythm) bool {
	if len(d.path) < 4 || counter.penalty(len(d.path)) > 2 {
		return false
	}
	total := d.weights.total
	k := 0
	for _, c := range d.window {
		if k < len(d.path) && d.path[k].At == c.At {
			k++
			continue
		}
		if c.Z > 0.5*total*min(r.Height[0], r.Height[1]) {
			return false
		}
	}
	for i, e := range d.path {
		if e.Evidence < 0.6*total*r.Height[e.Side] {
			return false
		}
		if i > 0 && math.Abs(e.At-d.path[i-1].At-r.Period[e.Side]) > 0.15*r.Period[e.Side] {
			return false
		}
	}
	return true
}

// plainRhythm supposes that all candidates which reach a share of the usual height are changeovers, and no others.
func (d *Decoder) plainRhythm(share float64) (Rhythm, int) {
	total := d.weights.total
	var r Rhythm
	n := 0
	for s := range 2 {
		d.sorted, d.height = d.sorted[:0], d.height[:0]
		last := math.NaN()
		n = 0
		for _, c := range d.Cands {
			if c.Z < share*total {
				continue
			}
			if n%2 == s {
				d.height = append(d.height, c.Z)
				if last == last {
					d.sorted = append(d.sorted, c.At-last)
				}
			}
			last = c.At
			n++
		}
		r.Period[s], r.Height[s] = math.NaN(), 1
		if len(d.sorted) > 0 {
			slices.Sort(d.sorted)
			r.Period[s] = max(d.sorted[len(d.sorted)/2], d.MinStroke)
		}
		if len(d.height) > 0 {
			slices.Sort(d.height)
			r.Height[s] = d.height[len(d.height)/2] / total
		}
	}
	for s := range 2 {
		if math.IsNaN(r.Period[s]) {
			r.Period[s] = r.Period[1-s]
		}
		if math.IsNaN(r.Period[s]) {
			r.Period[s] = max(float64(d.Ripe)*d.Step, d.MinStroke)
		}
		r.Spread[s] = 0.15 * r.Period[s]
	}
	r.Hesitation, r.Delay = 0.05, r.Period[0]+r.Period[1]
	return r, n
}

// limpingRhythm supposes that every second changeover is small: it averages the evidence over the
// intervals between the tall ones, stretched to the same length, and looks for a second maximum inside.
func (d *Decoder) limpingRhythm() (Rhythm, bool) {
	total := d.weights.total
	const bins = 48
	d.fold = slices.Grow(d.fold[:0], bins)[:bins]
	clear(d.fold)
	var n float64
	d.sorted = d.sorted[:0]
	last := math.NaN()
	for _, c := range d.Cands {
		if c.Z < total/2 {
			continue
		}
		if !math.IsNaN(last) {
			d.sorted = append(d.sorted, c.At-last)
		}
		last = c.At
	}
	if len(d.sorted) < 3 {
		return Rhythm{}, false
	}
	slices.Sort(d.sorted)
	cycle := d.sorted[len(d.sorted)/2]
	if cycle < 2*d.MinStroke {
		return Rhythm{}, false
	}
	last = math.NaN()
	for _, c := range d.Cands {
		if c.Z < total/2 {
			continue
		}
		if width := c.At - last; math.Abs(width-cycle) < 0.2*cycle {
			for b := range bins {
				t := (last+width*float64(b)/bins)/d.Step - float64(d.Base)
				i := int(t)
				if i >= 0 && i+1 < len(d.Z) {
					d.fold[b] += float64(d.Z[i]) + (t-float64(i))*float64(d.Z[i+1]-d.Z[i])
				}
			}
			n++
		}
		last = c.At
	}
	if n < 3 {
		return Rhythm{}, false
	}
	edge := max(int(math.Ceil(d.MinStroke/cycle*bins)), bins/8)
	top := -1
	for b := edge; b <= bins-edge; b++ {
		if isMaximum(d.fold, b, 2) && (top < 0 || d.fold[b] > d.fold[top]) {
			top = b
		}
	}
	if top < 0 {
		return Rhythm{}, false
	}
	height := d.fold[top] / n
	if height < max(0.14*total, 4/math.Sqrt(n)) {
		return Rhythm{}, false
	}
	share := float64(top) / bins
	r := Rhythm{Hesitation: 0.05, Delay: cycle}
	r.Period = [2]float64{cycle * (1 - share), cycle * share}
	r.Spread = [2]float64{0.05 * cycle, 0.05 * cycle}
	r.Height = [2]float64{1, height / total}
	return r, true
}

// penalty is how badly a number of edges fits what the counter saw, as a negative log-likelihood: normal
// near the counter's number and exponential far from it, since a counter can be wrong too.
func (c Counter) penalty(edges int) float64 {
	if c.SE <= 0 {
		return 0
	}
	u := math.Abs(float64(edges)-c.Strokes) / c.SE
	if u <= 3 {
		return 0.5 * u * u
	}
	return 4.5 + 8*(u-3)
}

// confirms reports whether there is a counter, and it tells a number of edges to within its standard error.
func (c Counter) confirms(edges int) bool { return c.SE > 0 && c.penalty(edges) <= 0.5 }

// rounds is how often a supposed rhythm is fitted to the sequence and the sequence to the rhythm.
const rounds = 3

// fit finds the best sequence for a supposed rhythm and improves the rhythm from it. The sequence is left
// in d.trial; the score is its log-likelihood ratio against a window without strokes.
func (d *Decoder) fit(r Rhythm, rounds int) (float64, Rhythm) {
	score := math.Inf(-1)
	for range rounds {
		score = d.viterbi(r)
		if len(d.trial) < 3 {
			break
		}
		next := d.learn(r, d.trial)
		if next == r {
			break
		}
		r = next
	}
	return score, r
}

// learn estimates the rhythm from a sequence of edges that goes on from the settled ones.
func (d *Decoder) learn(old Rhythm, found []Edge) Rhythm {
	r := old
	total := d.weights.total
	var far, excess, n float64
	for s := range uint8(2) {
		d.sorted, d.height = d.sorted[:0], d.height[:0]
		last := math.NaN()
		for _, list := range [2][]Edge{d.Recent, found} {
			for _, e := range list {
				if e.Side == s {
					d.height = append(d.height, e.Evidence)
					if last == last {
						d.sorted = append(d.sorted, e.At-last)
					}
				}
				last = e.At
			}
		}
		if len(d.sorted) < 2 {
			continue
		}
		slices.Sort(d.sorted)
		// A hesitating valve only ever lengthens a stroke: the lower half tells the rhythm.
		med := d.sorted[len(d.sorted)/2]
		low := d.sorted[len(d.sorted)/8]
		usual := min(med, 2*low)
		r.Period[s] = usual
		r.Spread[s] = min(max(med-low, 0.02*usual, 0.4*d.Step), 0.2*usual)
		for _, v := range d.sorted {
			if n++; v > usual+5*r.Spread[s] {
				far++
				excess += v - usual
			}
		}
		r.Height[s] = min(robust.Select(d.height, len(d.height)/2)/total, 1.5)
	}
	if n > 0 {
		r.Hesitation = min(max(far/n, 0.02), 0.4)
		usual := (r.Period[0] + r.Period[1]) / 2
		r.Delay = 2 * usual
		if far > 0 {
			r.Delay = max(excess/far, usual)
		}
	}
	return r
}
