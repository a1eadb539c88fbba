package stroke

import "math"

// Template is the usual dip of the inlet, sampled more finely than the grid: each dip meets the grid at another phase. It is
// one for both sides: its own error then moves the ends of both alike, and does not make one side look slower.
type Template struct {
	// X are the pressures, Pa, about their own mean, in steps of a part of the grid's; empty while unknown. Place zero of the dips
	// that made it lies at Zero.
	X    []float32
	Zero int
	// Flank is how far before and after its zero it falls, in its own steps.
	Flank int
	// Half is where it has fallen by half of its dip, in its own steps from its zero.
	Half float64
	// Depth is that of its dip, Pa.
	Depth float64
	// N is how many dips made it.
	N int
}

// The extent of a template about the changeover, and of the flank where it falls, in shortest strokes, of at least
// leastShortest; and its spacing, s. What comes after the flank differs from stroke to stroke and between the sides of a worn
// pump: the flank tells the time, but where noise is such that all of the dip is needed.
const (
	templateFrom  = -0.8
	templateTo    = 1.2
	templateFlank = 0.5
	leastShortest = 0.040
	templateStep  = 0.0025
)

// clearDip is the depth of a dip, in standard deviations of the samples' noise, from which its flank tells its time.
const clearDip = 7

// A template is used from leastDips dips on, and follows the pump by a share of slowest of each dip.
const (
	leastDips = 4
	slowest   = 0.05
)

// refine gives an edge the time at which its dip fits the template best, by least squares over the dip's height,
// level and place: of all unbiased estimates in white noise that with the least variance (Kay, Fundamentals of
// Statistical Signal Processing I, 1993, ch. 3 and 7). The template's zero is where it has fallen by half. Then the
// template learns from the dip.
func (d *Decoder) refine(e *Edge) {
	if math.IsNaN(e.Depth) {
		return
	}
	t := &d.Template
	fine := max(round(d.Step/templateStep), 1)
	at := e.At/d.Step - float64(d.Base)
	if t.N == 0 {
		t.begin(d, at, fine)
		return
	}
	half := t.Half / float64(fine)
	whole := t.Depth < clearDip*d.In.White*math.Sqrt(float64(d.spans().n)/2)
	place, rest := t.place(d.In.X, at-half, fine, whole)
	// Noise may have moved the moment of half the fall far from the fall.
	if top := e.top/d.Step - float64(d.Base); math.Abs(top-at)*d.Step > topReach*max(leastShortest, d.MinStroke) || math.IsNaN(rest) {
		if p, r := t.place(d.In.X, top-half, fine, whole); r < rest || math.IsNaN(rest) {
			place, rest = p, r
		}
	}
	switch {
	case !math.IsNaN(rest):
		t.learn(d.In.X, place, fine)
		if t.N > leastDips {
			e.At = (place + half + float64(d.Base)) * d.Step
		}
		if t.measure(); math.IsNaN(t.Half) {
			*t = Template{}
		}
	case t.N <= leastDips:
		*t = Template{}
	}
}

// topReach is how far the moment of half the fall may lie from where it falls most, in shortest strokes, to be believed.
const topReach = 0.15

// place finds where near a place the dip fits, and what is left of its variance; NaN where it does not.
func (t *Template) place(x []float32, at float64, fine int, whole bool) (place, rest float64) {
	place, rest = at, math.NaN()
	for range 3 {
		shift, gain, left, ok := t.fit(x, place, fine, whole)
		if !ok || gain < 0.3 || gain > 3 || math.Abs(place+shift-at) > float64(t.Flank)/float64(2*fine) {
			return at, math.NaN()
		}
		place += shift
		rest = left
		if math.Abs(shift) < 0.02 {
			break
		}
	}
	return place, rest
}

// begin makes a template of one dip at a place on the grid.
func (t *Template) begin(d *Decoder, at float64, fine int) {
	shortest := max(leastShortest, d.MinStroke) / d.Step * float64(fine)
	t.Zero = round(-templateFrom * shortest)
	t.Flank = round(templateFlank * shortest)
	n := t.Zero + round(templateTo*shortest) + 1
	x := d.In.X
	t.X = t.X[:0]
	sum := float32(0)
	for k := range n {
		u := at + float64(k-t.Zero)/float64(fine)
		i := floor(u)
		if i < 0 || i+1 >= len(x) {
			*t = Template{}
			return
		}
		v := x[i] + float32(u-float64(i))*(x[i+1]-x[i])
		sum += v
		t.X = append(t.X, v)
	}
	if sum != sum {
		*t = Template{}
		return
	}
	for k := range t.X {
		t.X[k] -= sum / float32(n)
	}
	t.N = 1
	if t.measure(); math.IsNaN(t.Half) {
		*t = Template{}
	}
}

// samples gives the samples of x that lie within some steps before and after the template's zero at a place; ok is false where x
// does not have them all.
func (t *Template) samples(x []float32, place float64, fine, before, after int) (from, to int, ok bool) {
	from = ceil(place - float64(before)/float64(fine))
	to = ceil(place+float64(after)/float64(fine)) - 1
	return from, to, from >= 0 && to < len(x) && to-from >= 4
}

// fit finds by how many samples the dip in x lies later than a place, how tall it is beside the template, and the mean square that
// this leaves. ok is false where that cannot be told.
func (t *Template) fit(x []float32, place float64, fine int, whole bool) (shift, gain, rest float64, ok bool) {
	before, after := t.Flank, t.Flank
	if whole {
		before, after = t.Zero, len(t.X)-1-t.Zero
	}
	from, to, ok := t.samples(x, place, fine, before, after)
	if !ok {
		return 0, 0, 0, false
	}
	// Normal equations about the means: the level drops out.
	var n, s, r, v, ss, sr, rr, sv, rv, vv float64
	u := (float64(from)-place)*float64(fine) + float64(t.Zero)
	for _, w := range x[from : to+1] {
		k := int(u)
		if k+1 >= len(t.X) {
			break
		}
		rise := float64(t.X[k+1] - t.X[k])
		y := float64(t.X[k]) + (u-float64(k))*rise
		if k > 0 && u-float64(k) < 0.5 {
			rise = (rise + float64(t.X[k]-t.X[k-1])) / 2
		} else if k+2 < len(t.X) {
			rise = (rise + float64(t.X[k+2]-t.X[k+1])) / 2
		}
		z := float64(w)
		n++
		s += y
		r += rise
		v += z
		ss += y * y
		sr += y * rise
		rr += rise * rise
		sv += y * z
		rv += rise * z
		vv += z * z
		u += float64(fine)
	}
	ss -= s * s / n
	sr -= s * r / n
	rr -= r * r / n
	sv -= s * v / n
	rv -= r * v / n
	vv -= v * v / n
	det := ss*rr - sr*sr
	gain = (sv*rr - rv*sr) / det
	slope := (rv*ss - sv*sr) / det
	shift = -slope / gain / float64(fine)
	rest = (vv - gain*sv - slope*rv) / n
	return shift, gain, rest, det > 0 && shift == shift && gain > 0
}

// learn moves the template toward the dip in x at a place.
func (t *Template) learn(x []float32, place float64, fine int) {
	from, to, ok := t.samples(x, place, fine, t.Zero, len(t.X)-1-t.Zero)
	if !ok {
		return
	}
	t.N = min(t.N+1, 1<<20)
	rate := float32(max(1/float64(t.N), slowest))
	level, n := float32(0), float32(0)
	u := (float64(from)-place)*float64(fine) + float64(t.Zero)
	first := u
	for _, v := range x[from : to+1] {
		k := int(u)
		if k+1 >= len(t.X) {
			break
		}
		level += v - t.X[k] - float32(u-float64(k))*(t.X[k+1]-t.X[k])
		n++
		u += float64(fine)
	}
	level /= n
	u = first
	for _, v := range x[from : to+1] {
		k := int(u)
		if k+1 >= len(t.X) {
			break
		}
		f := float32(u - float64(k))
		off := v - level - t.X[k] - f*(t.X[k+1]-t.X[k])
		t.X[k] += rate * (1 - f) * off
		t.X[k+1] += rate * f * off
		u += float64(fine)
	}
}

// measure finds where the template has fallen by half of its dip, NaN where it has none, and how deep that is.
func (t *Template) measure() {
	low, end := t.Zero, t.Zero+t.Flank
	for k := t.Zero - t.Flank/2; k <= end; k++ {
		if t.X[k] < t.X[low] {
			low = k
		}
	}
	level := float32(0)
	n := max(t.Flank/3, 1)
	for _, v := range t.X[t.Zero-t.Flank : t.Zero-t.Flank+n] {
		level += v / float32(n)
	}
	t.Half, t.Depth = math.NaN(), float64(level-t.X[low])
	if t.Depth > 0 {
		t.Half = crossing(t.X, low, -1, float64(level+t.X[low])/2, 0) - float64(t.Zero)
	}
}
