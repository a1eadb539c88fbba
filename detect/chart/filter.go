// Package chart decides whether a pump has changed: for each explanation a filter that predicts the next
// epoch, and the likelihood ratio of its predictions against those of the healthy pump.
package chart

import (
	"math"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/feature"
)

const (
	dim   = baseline.Dim
	size  = dim // index of the size in the state
	state = dim + 1
)

// Effect is what one unit of a fault or a cause does to the coordinates.
type Effect struct {
	// Mean is the direction; Spread is how far each of its components lies from that mean from pump to pump, from
	// one operating point to another and from small sizes to large, as a standard deviation. It stays with a
	// pump and a regime: no number of epochs averages it out.
	Mean, Spread baseline.Vector
	// Scatter is the standard deviation from epoch to epoch (a valve that hesitates at random).
	Scatter baseline.Vector
	// Jump is the standard deviation of a size that appears at once, Drift of its growth in a day.
	Jump, Drift float64
	// Signed allows negative sizes (a liquid can thicken or thin).
	Signed bool
	// Free, instead of a direction, gives each coordinate a step of its own with this standard deviation: a
	// change of no known kind.
	Free baseline.Vector
}

// Visible reports whether the coordinates that are known show the effect's direction against its spread. An effect
// that they do not show would only be a licence to explain anything.
func (e *Effect) Visible(known *[dim]bool) bool {
	const enough = 3.0 // sum of squares; one component known to within 60 %
	power := 0.0
	for j := range dim {
		if !known[j] {
			continue
		}
		if e.Free[j] > 0 {
			return true
		}
		if e.Spread[j] > 0 {
			r := e.Mean[j] / e.Spread[j]
			power += r * r
		}
	}
	return power >= enough
}

// Filter is a Kalman filter over the offset of the present regime in every coordinate and the size of one
// effect. Its fields are exported to be stored; they mean nothing outside.
type Filter struct {
	X [state]float64
	P [state][state]float64
}

// NewFilter starts where learning ended.
func NewFilter(h *baseline.Healthy) Filter {
	var f Filter
	for j := range dim {
		f.X[j], f.P[j][j] = h.Offset[j], h.OffsetVar[j]
	}
	return f
}

// Begin makes a filter that takes up the offsets from f and lets the effect begin now.
func (f Filter) Begin(e *Effect) Filter {
	f.X[size] = 0
	for i := range state {
		f.P[i][size], f.P[size][i] = 0, 0
	}
	v := e.Jump * e.Jump
	f.P[size][size] = v
	for j := range dim {
		f.P[j][j] += v*e.Spread[j]*e.Spread[j] + e.Free[j]*e.Free[j]
	}
	return f
}

// Move carries the state to the next epoch, dt later: offsets forget a share (keep is their correlation) and spread
// again toward offsetVar; the size of the effect (nil: no effect) drifts. What the effect's direction leaves
// unsaid counts as offset, for it too stays with a regime.
func (f *Filter) Move(keep float64, offsetVar baseline.Vector, dt time.Duration, e *Effect) {
	var grown, s2 float64
	if e != nil {
		grown = e.Drift * e.Drift * max(0, dt.Hours()) / 24
		s2 = f.X[size]*f.X[size] + f.P[size][size]
	}
	for j := range dim {
		f.X[j] *= keep
		for k := range state {
			f.P[j][k] *= keep
			f.P[k][j] *= keep
		}
		v := offsetVar[j]
		if e != nil {
			spread := e.Spread[j] * e.Spread[j]
			v += s2*spread + e.Free[j]*e.Free[j]
			f.P[j][j] += grown * spread
		}
		f.P[j][j] += (1 - keep*keep) * v
	}
	f.P[size][size] += grown
}

// Measurement is one epoch as a filter sees it: deviations from expectation, their noise variance, and which of them count.
type Measurement struct {
	Dev, Var baseline.Vector
	Has      [dim]bool
	SignFree bool
}

// Update takes one epoch and returns its log density as predicted under the effect (nil: no effect).
// Where the names of A and B are free, both are tried and the better one is kept, at the price of one bit.
func (f *Filter) Update(m *Measurement, e *Effect) float64 {
	if !m.SignFree {
		return f.update(m, e)
	}
	mirrored := *m
	mirrored.Dev[feature.Asymmetry] = -m.Dev[feature.Asymmetry]
	mirrored.Dev[feature.RippleAsymmetry] = -m.Dev[feature.RippleAsymmetry]
	g := *f
	a, b := f.update(m, e), g.update(&mirrored, e)
	if b > a {
		*f, a, b = g, b, a
	}
	return a + math.Log1p(math.Exp(b-a)) - math.Ln2
}

func (f *Filter) update(m *Measurement, e *Effect) float64 {
	noise := m.Var
	var dir baseline.Vector
	if e != nil {
		dir = e.Mean
		s2 := f.X[size]*f.X[size] + f.P[size][size]
		for j := range dim {
			noise[j] += s2 * e.Scatter[j] * e.Scatter[j]
		}
	}
	trial := *f
	q, logDet, n := trial.absorb(m, &dir, &noise)
	ll, weight := baseline.TDensity(q, logDet, n)
	if weight >= 1 {
		*f = trial
		return ll
	}
	for j := range dim {
		noise[j] /= weight
	}
	f.absorb(m, &dir, &noise)
	return ll
}

// absorb updates the state by one coordinate after the other, which for independent noise is the joint update
// (Anderson and Moore 1979, Optimal Filtering, section 6.4), and returns the squared Mahalanobis distance of the
// epoch from its prediction, the log determinant of its covariance and its dimension.
func (f *Filter) absorb(m *Measurement, dir, noise *baseline.Vector) (q, logDet float64, n int) {
	for j := range dim {
		if !m.Has[j] {
			continue
		}
		var ph [state]float64
		for i := range state {
			ph[i] = f.P[i][j] + dir[j]*f.P[i][size]
		}
		v := ph[j] + dir[j]*ph[size] + noise[j]
		e := m.Dev[j] - f.X[j] - dir[j]*f.X[size]
		q += e * e / v
		logDet += math.Log(v)
		n++
		for i := range state {
			g := ph[i] / v
			f.X[i] += g * e
			for k := range state {
				f.P[i][k] -= g * ph[k]
			}
		}
	}
	return q, logDet, n
}
