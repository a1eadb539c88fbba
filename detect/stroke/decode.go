package stroke

import (
	"math"
	"slices"
)

// Decoder finds the edges of one pump, window after window. The Rhythm is all that it carries from one to
// the next; the rest is scratch.
type Decoder struct {
	Rhythm Rhythm

	in, out, z, sorted, means, heights []float64
	cands                              []Edge
	best                               [][2]float64
	from                               [][2]int32
	fold                               []float64
	tall                               []int
	path, trial                        []Edge
}

// Decode finds the edges of a window, in order. It returns none where nothing stands out of the
// noise. The slice is valid until the next call.
func (d *Decoder) Decode(w Window) []Edge {
	total := d.combine(w)
	if total == 0 {
		return nil
	}
	d.findCandidates(w, total)
	s := search{d: d, w: w, total: total, length: float64(len(d.z)-1) * w.Step, score: -counterPenalty(w, 0)}
	d.path = d.path[:0]
	if d.Rhythm.Known {
		s.try(d.Rhythm, 1)
	}
	if !d.Rhythm.Known || !d.explained(w, s.rhythm, total) {
		if d.Rhythm.Known {
			s.try(s.rhythm, rounds-1)
		}
		if d.Rhythm.Known {
			s.handicap = surprise
		}
		even, n := d.plainRhythm(w, total, 0.5)
		s.tryBoth(even)
		if uneven, m := d.plainRhythm(w, total, 0.2); m != n {
			s.tryBoth(uneven)
		}
		if limp, ok := d.limpingRhythm(w, total); ok {
			s.handicap += limpCost
			s.tryBoth(limp)
		}
	}
	if len(d.path) > 3 {
		s.rhythm.Lag, s.rhythm.HasLag = d.Rhythm.Lag, d.Rhythm.HasLag
		s.rhythm.Known = true
		d.Rhythm = s.rhythm
	}
	return d.path
}

// search is for the rhythm that explains a window best; the best sequence so far is in the decoder's path.
type search struct {
	d             *Decoder
	w             Window
	total, length float64
	score         float64
	rhythm        Rhythm
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
func (s *search) try(r Rhythm, rounds int) {
	score, fitted := s.d.fit(s.w, r, s.total, s.length, rounds)
	if score -= counterPenalty(s.w, len(s.d.trial)) + s.handicap; score > s.score {
		s.score, s.rhythm = score, fitted
		s.d.path = append(s.d.path[:0], s.d.trial...)
	}
}

// tryBoth tries a rhythm of which it is not known which side is which.
func (s *search) tryBoth(r Rhythm) {
	s.try(r, rounds)
	if s.w.HasFixed && (r.Height[0] != r.Height[1] || r.Period[0] != r.Period[1]) {
		r.Period[0], r.Period[1] = r.Period[1], r.Period[0]
		r.Spread[0], r.Spread[1] = r.Spread[1], r.Spread[0]
		r.Height[0], r.Height[1] = r.Height[1], r.Height[0]
		s.try(r, rounds)
	}
}

// explained reports whether the sequence in d.path leaves nothing open: all strokes are as long as usual, all
// changeovers as tall, no candidate of half their height is left out, and the counter agrees.
func (d *Decoder) explained(w Window, r Rhythm, total float64) bool {
	if len(d.path) < 4 || counterPenalty(w, len(d.path)) > 2 {
		return false
	}
	k := 0
	for _, c := range d.cands {
		if k < len(d.path) && d.path[k].At == c.At {
			k++
			continue
		}
		if (!w.HasFixed || c.At > w.Fixed.At+sameDip) && c.Evidence > 0.5*total*min(r.Height[0], r.Height[1]) {
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

// findCandidates collects the maxima of the evidence as edges of which the side is open. Where the inlet dips, the dip
// gives an edge its time; else a parabola through the three samples at the top does.
func (d *Decoder) findCandidates(w Window, total float64) {
	d.cands = d.cands[:0]
	gap := max(int(0.02/w.Step), 1)
	least := leastHeight(total)
	for i := 1; i+1 < len(d.z); i++ {
		if d.z[i] < least || !isMaximum(d.z, i, gap) {
			continue
		}
		at := float64(i)
		if den := d.z[i-1] - 2*d.z[i] + d.z[i+1]; den < 0 {
			at += (d.z[i-1] - d.z[i+1]) / 2 / den
		}
		e, ok := Edge{}, false
		if w.Inlet != nil {
			e, ok = shape(w, at)
		}
		if !ok {
			e = Edge{At: at * w.Step, Depth: math.NaN(), Width: math.NaN()}
		}
		e.Evidence = d.z[i]
		d.addCandidate(e)
	}
}

// addCandidate appends a candidate; of two that are the same dip, the one that stands out more is kept.
func (d *Decoder) addCandidate(e Edge) {
	for n := len(d.cands); n > 0 && e.At < d.cands[n-1].At+sameDip; n-- {
		if d.cands[n-1].Evidence >= e.Evidence {
			return
		}
		d.cands = d.cands[:n-1]
	}
	d.cands = append(d.cands, e)
}

// sameDip is the time within which two candidates are the same dip, s.
const sameDip = 0.015

// plainRhythm supposes that all candidates which reach a share of the usual height are changeovers, and no others.
func (d *Decoder) plainRhythm(w Window, total, share float64) (Rhythm, int) {
	var r Rhythm
	n := 0
	for s := range 2 {
		d.sorted, d.heights = d.sorted[:0], d.heights[:0]
		last := math.NaN()
		n = 0
		for _, c := range d.cands {
			if c.Evidence < share*total {
				continue
			}
			if n%2 == s {
				d.heights = append(d.heights, c.Evidence)
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
			r.Period[s] = max(d.sorted[len(d.sorted)/2], w.MinStroke)
		}
		if len(d.heights) > 0 {
			slices.Sort(d.heights)
			r.Height[s] = d.heights[len(d.heights)/2] / total
		}
	}
	for s := range 2 {
		if math.IsNaN(r.Period[s]) {
			r.Period[s] = r.Period[1-s]
		}
		if math.IsNaN(r.Period[s]) {
			r.Period[s] = max(float64(len(d.z))*w.Step, w.MinStroke)
		}
		r.Spread[s] = 0.15 * r.Period[s]
	}
	r.Hesitation, r.Delay = 0.05, r.Period[0]+r.Period[1]
	return r, n
}

// limpingRhythm supposes that every second changeover is small: it averages the evidence over the
// intervals between the tall ones, stretched to the same length, and looks for a second maximum inside.
func (d *Decoder) limpingRhythm(w Window, total float64) (Rhythm, bool) {
	const bins = 48
	d.fold = slices.Grow(d.fold[:0], bins)[:bins]
	clear(d.fold)
	var n float64
	d.sorted = d.sorted[:0]
	last := math.NaN()
	for _, c := range d.cands {
		if c.Evidence < total/2 {
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
	if cycle < 2*w.MinStroke {
		return Rhythm{}, false
	}
	last = math.NaN()
	for _, c := range d.cands {
		if c.Evidence < total/2 {
			continue
		}
		if width := c.At - last; math.Abs(width-cycle) < 0.2*cycle {
			for b := range bins {
				t := (last + width*float64(b)/bins) / w.Step
				i := int(t)
				if i+1 < len(d.z) {
					d.fold[b] += d.z[i] + (t-float64(i))*(d.z[i+1]-d.z[i])
				}
			}
			n++
		}
		last = c.At
	}
	if n < 3 {
		return Rhythm{}, false
	}
	edge := max(int(math.Ceil(w.MinStroke/cycle*bins)), bins/8)
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

// counterPenalty is how badly a number of edges fits what the counter saw, as a negative log-likelihood: normal
// near the counter's number and exponential far from it, since a counter can be wrong too.
func counterPenalty(w Window, edges int) float64 {
	if w.StrokesSE <= 0 {
		return 0
	}
	u := math.Abs(float64(edges)-w.Strokes) / w.StrokesSE
	if u <= 3 {
		return 0.5 * u * u
	}
	return 4.5 + 8*(u-3)
}

// rounds is how often a supposed rhythm is fitted to the sequence and the sequence to the rhythm.
const rounds = 3

// fit finds the best sequence for a supposed rhythm and improves the rhythm from it. The sequence is left
// in d.trial; the score is its log-likelihood ratio against a window without strokes.
func (d *Decoder) fit(w Window, r Rhythm, total, length float64, rounds int) (float64, Rhythm) {
	score := math.Inf(-1)
	for range rounds {
		score = d.viterbi(w, r, total, length)
		if len(d.trial) < 3 {
			break
		}
		next := d.learn(w, r, total)
		if next == r {
			break
		}
		r = next
	}
	return score, r
}

// learn estimates the rhythm from the sequence in d.trial.
func (d *Decoder) learn(w Window, old Rhythm, total float64) Rhythm {
	r := old
	var far, excess, n float64
	for s := range uint8(2) {
		d.sorted = d.sorted[:0]
		for i := 1; i < len(d.trial); i++ {
			if d.trial[i].Side == s {
				d.sorted = append(d.sorted, d.trial[i].At-d.trial[i-1].At)
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
		r.Spread[s] = min(max(med-low, 0.02*usual, 0.4*w.Step), 0.2*usual)
		for _, v := range d.sorted {
			if n++; v > usual+5*r.Spread[s] {
				far++
				excess += v - usual
			}
		}
		d.sorted = d.sorted[:0]
		for _, e := range d.trial {
			if e.Side == s {
				d.sorted = append(d.sorted, e.Evidence)
			}
		}
		slices.Sort(d.sorted)
		r.Height[s] = min(d.sorted[len(d.sorted)/2]/total, 1.5)
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
