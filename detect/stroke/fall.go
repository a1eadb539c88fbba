package stroke

import (
	"math"
	"slices"
)

// fall writes to dst, for each sample of x, the mean over n samples before it less the mean over the
// n samples after it: NaN within n samples of either end.
func fall(dst []float64, x []float32, n int) []float64 {
	m := len(x)
	dst = slices.Grow(dst[:0], m)[:m]
	for i := range dst {
		dst[i] = math.NaN()
	}
	if m < 2*n+1 {
		return dst
	}
	var before, after float64
	for k := range n {
		before += float64(x[k])
		after += float64(x[n+1+k])
	}
	inv := 1 / float64(n)
	for i := n; ; i++ {
		dst[i] = (before - after) * inv
		if i+1+n >= m {
			return dst
		}
		before += float64(x[i]) - float64(x[i-n])
		after += float64(x[i+1+n]) - float64(x[i+1])
	}
}

// bend writes to dst, for each sample of x, by how much the means w samples before and after it lie above the mean around
// it, each over 2h+1 samples: large where x turns from falling to rising. It is NaN near the ends and holes.
func (d *Decoder) bend(dst []float64, x []float32, w, h int) []float64 {
	m := len(x)
	d.means = slices.Grow(d.means[:0], m)[:m]
	inv := 1 / float64(2*h+1)
	for i := range d.means {
		if i < h || i+h >= m {
			d.means[i] = math.NaN()
			continue
		}
		sum := 0.0
		for _, v := range x[i-h : i+h+1] {
			sum += float64(v)
		}
		d.means[i] = sum * inv
	}
	dst = slices.Grow(dst[:0], m)[:m]
	for i := range dst {
		dst[i] = math.NaN()
		if i >= w && i+w < m {
			dst[i] = (d.means[i-w]+d.means[i+w])/2 - d.means[i]
		}
	}
	return dst
}

// A dip comes back: the small volume between regulator and valve fills within some ten milliseconds. What falls
// and stays down is a regulator that settles, or another user of the header. So the inlet has to come back by half
// within slowRecovery (of a big pump: slowShare shortest strokes), and within fastRecovery by a good part of what the
// tall falls of the same window do, of which leastReturn is the least that is believed. A fall that comes back, but
// later than those, may be that of a chamber that a torn diaphragm lets fill into the line: it keeps a part, lateShare.
const (
	fastRecovery = 0.075
	slowRecovery = 0.200
	slowShare    = 3
	leastReturn  = 0.3
	lateShare    = 0.35
)

// chanceRise is by how much, in standard deviations of a fall, the largest of the means that rise looks at exceeds
// the true one by chance.
const chanceRise = 1.5

// dip turns falls e of the inlet over spans of n samples into dips: each counts only as far as it comes back. Towards the
// window's end, where that is not seen, it counts in full. white is the standard deviation of a fall by noise.
func (d *Decoder) dip(e []float64, w Window, n int, white float64) {
	x := w.Inlet
	m := len(x)
	d.means = slices.Grow(d.means[:0], m)[:m]
	sum, inv := 0.0, 1/float64(n)
	for i, v := range x {
		sum += float64(v)
		if i >= n {
			sum -= float64(x[i-n])
		}
		d.means[i] = sum * inv // of the n samples up to i
	}
	fast := n + max(int(fastRecovery/w.Step), n)
	slow := n + max(int(max(slowRecovery, slowShare*w.MinStroke)/w.Step), 2*n)
	typical := d.typicalReturn(e, n, fast)
	for i := n; i+slow < m; i++ {
		if e[i] > white {
			soon := d.rise(i, n, fast) - chanceRise*white
			late := d.rise(i, n, slow) - chanceRise*white
			back := min(e[i], 2*late)
			e[i] = max(min(back, 1.5*soon/typical), lateShare*back, 0)
		}
	}
}

// rise is how far the inlet comes back within some samples of a fall at i, from its mean over the n samples after it.
func (d *Decoder) rise(i, n, within int) float64 {
	top := math.Inf(-1)
	for k := i + 2*n; k <= i+within; k++ {
		top = max(top, d.means[k])
	}
	return top - d.means[i+n]
}

// typicalReturn is the median, over the tall falls, of the part that comes back soon.
func (d *Decoder) typicalReturn(e []float64, n, fast int) float64 {
	d.sorted = maxima(d.sorted[:0], e, n, 0, len(e)-fast)
	if len(d.sorted) == 0 {
		return 1
	}
	height := tall(d.sorted)
	d.sorted = d.sorted[:0]
	for i := n; i+fast < len(e); i++ {
		if e[i] >= height/2 && isMaximum(e, i, n) {
			d.sorted = append(d.sorted, d.rise(i, n, fast)/e[i])
		}
	}
	if len(d.sorted) == 0 {
		return 1
	}
	slices.Sort(d.sorted)
	return min(max(d.sorted[len(d.sorted)/2], leastReturn), 1.5)
}

// maxima appends to dst, in ascending order, the maxima of e[:end] that exceed least and are the largest within gap samples.
func maxima(dst, e []float64, gap int, least float64, end int) []float64 {
	for i := range end {
		if e[i] > least && isMaximum(e, i, gap) {
			dst = append(dst, e[i])
		}
	}
	slices.Sort(dst)
	return dst
}

// tall is the median of the values that reach half of the largest but one; sorted is ascending, not empty.
// The largest is left out because it may be a spike.
func tall(sorted []float64) float64 {
	top := sorted[max(len(sorted)-2, 0)]
	i, _ := slices.BinarySearch(sorted, top/2)
	return sorted[i+(len(sorted)-i)/2]
}

// isMaximum reports whether e[i] is the largest within gap samples, the first of equals.
func isMaximum(e []float64, i, gap int) bool {
	for k := 1; k <= gap; k++ {
		if i-k >= 0 && e[i-k] >= e[i] || i+k < len(e) && e[i+k] > e[i] {
			return false
		}
	}
	return true
}
