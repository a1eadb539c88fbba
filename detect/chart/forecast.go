package chart

import (
	"math"

	"diastole/detect/baseline"
)

// Update takes one epoch and returns its log density as predicted under the effect: that of the mixture of what may have
// happened unseen. The most probable course of things is kept.
func (f *Filter) Update(m *Measurement, e *Effect) float64 {
	c := f.foresee(m, e, m.Unseen)
	f.take(m, e, c)
	return c.logDensity
}

// forecast is how well a filter foresaw an epoch.
type forecast struct {
	// logDensity is that of the epoch over all courses that things may have taken.
	logDensity float64
	// fresh and swapped tell the most probable course: whether the regime is a new one, drawn unseen, and whether the names of A
	// and B are now the other way round than the filter had them. weight is what the epoch then deserves as an observation.
	fresh, swapped bool
	weight         float64
}

// foresee weighs the four courses: the regime goes on, or is a new one with probability anew, and the names of A and B are
// kept or swapped. It is the inner loop of all charts. Variances and distances of all four are formed in one pass with
// one division a coordinate, and the densities themselves are added, with one logarithm at the end.
func (f *Filter) foresee(m *Measurement, e *Effect, anew float64) forecast {
	same, other := &m.Dev, &m.Mirrored
	if f.Swapped {
		same, other = other, same
	}
	var q0, q1, q2, q3 float64 // squared distances: going on, going on and swapped, fresh, fresh and swapped
	goingDet, freshDet, n := 1.0, 1.0, 0
	for j := range dim {
		if !m.Has[j] {
			continue
		}
		noise := m.Var[j] + e.Scatter[j]*e.Scatter[j]
		mean, fresh := f.fresh(j, m.OffsetVar[j], e)
		v, w := f.P[j]+noise, fresh+noise
		goingDet *= v
		freshDet *= w
		inverse := 1 / (v * w)
		a, b, c, d := same[j]-f.X[j], other[j]-f.X[j], same[j]-mean, other[j]-mean
		w *= inverse
		v *= inverse
		q0 += a * a * w
		q1 += b * b * w
		q2 += c * c * v
		q3 += d * d * v
		n++
	}
	q := [4]float64{q0, q1, q2, q3}
	prior := [4]float64{(1 - anew) * (1 - m.Swap), (1 - anew) * m.Swap, anew * (1 - m.Swap), anew * m.Swap}
	goingDet, freshDet = math.Sqrt(goingDet), math.Sqrt(freshDet)
	best, top, sum := 0, 0.0, 0.0
	for i := range q {
		root := goingDet
		if i >= 2 {
			root = freshDet
		}
		d := prior[i] * baseline.PlainTDensity(q[i], root, n)
		if d > top {
			best, top = i, d
		}
		sum += d
	}
	c := forecast{logDensity: math.Log(sum)}
	if !(sum > tiny && sum < 1/tiny) {
		best, c.logDensity = logMixture(&prior, &q, math.Log(goingDet), math.Log(freshDet), n)
	}
	c.fresh, c.swapped = best >= 2, best%2 == 1
	c.weight = baseline.TWeight(q[best], n)
	return c
}

// tiny is the density below which, and its inverse above which, logarithms are used, for a float64 may lack room.
const tiny = 1e-250

// logMixture is the most probable of the four courses and the log density of all, of squared distances and logarithms of the roots
// of the determinants.
func logMixture(prior, q *[4]float64, goingLogRoot, freshLogRoot float64, n int) (best int, total float64) {
	top := math.Inf(-1)
	total = top
	for i := range q {
		if prior[i] == 0 {
			continue
		}
		logRoot := goingLogRoot
		if i >= 2 {
			logRoot = freshLogRoot
		}
		d, _ := baseline.TDensity(q[i], 2*logRoot, n)
		d += math.Log(prior[i])
		if d > top {
			best, top = i, d
		}
		total = logAdd(total, d)
	}
	return best, total
}

// take is the Kalman update of every coordinate by the most probable course, the noise of an outlying epoch being inflated.
func (f *Filter) take(m *Measurement, e *Effect, c forecast) {
	b := &f.Bias
	if c.fresh {
		for j := range dim {
			f.X[j], f.P[j] = f.fresh(j, m.OffsetVar[j], e)
			b.Cov[j] = b.Var[j]
		}
	}
	f.Swapped = f.Swapped != c.swapped
	dev := &m.Dev
	if f.Swapped {
		dev = &m.Mirrored
	}
	for j := range dim {
		if m.Has[j] {
			noise := (m.Var[j] + e.Scatter[j]*e.Scatter[j]) / c.weight
			off, inverse := dev[j]-f.X[j], 1/(f.P[j]+noise)
			f.X[j] += f.P[j] * inverse * off
			b.X[j] += b.Cov[j] * inverse * off
			b.Var[j] -= b.Cov[j] * b.Cov[j] * inverse
			b.Cov[j] *= noise * inverse
			f.P[j] *= noise * inverse
		}
	}
}

func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}
