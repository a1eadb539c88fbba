package cycle

import "math"

// Healthy is the mean cycle of the healthy pump: a straight line over the head ratio (mean discharge over mean inlet
// pressure), point by point. It is held relative to the operating point, the inlet to its absolute mean and the discharge to
// its mean, so that it can be drawn at the pressures of any other day. The zero value has seen nothing.
type Healthy struct {
	// Anchored is set where A and B are those of the counter. Where they are free, each record is turned to fit the first.
	Anchored bool
	// Share sums stroke A's share of the cycle's time over the N records.
	Share            float64
	N                int
	Inlet, Discharge shape
	// First is the first record, to which others are turned where the sides are free.
	First Record
}

// shape is the sums of the regression of one pressure.
type shape struct {
	N           float64
	X, XX       float64
	Y, XY, YY   [Points]float64
	Least, Most float64 // the range of the head ratio
}

// Point is the operating point of a record.
type Point struct {
	// Inlet and Discharge are mean pressures, Pa gauge; NaN where the channel lacks.
	Inlet, Discharge float64
}

// atmosphere is the standard atmosphere, Pa (ISO 2533).
const atmosphere = 101325

// leastDischarge is the mean discharge pressure below which a swing relative to it says nothing, Pa.
const leastDischarge = 5e3

func (p Point) ratio() float64 {
	if r := p.Discharge / p.Inlet; !math.IsNaN(r) && !math.IsInf(r, 0) {
		return r
	}
	return 0
}

// Learn takes the mean cycle of one healthy epoch. Once one with known sides has come, those with free sides are left out.
func (h *Healthy) Learn(r Record, at Point, anchored bool) {
	switch {
	case h.N == 0 || anchored && !h.Anchored:
		*h = Healthy{Anchored: anchored, First: r}
	case h.Anchored && !anchored:
		return
	}
	r = h.Turned(r, anchored)
	h.N++
	h.Share += r.ShareA
	x := at.ratio()
	h.Inlet.learn(x, r.Inlet, r.Inlet.Mean()+atmosphere)
	if m := r.Discharge.Mean(); m >= leastDischarge {
		h.Discharge.learn(x, r.Discharge, m)
	}
}

// Turned exchanges A and B of a record with free sides where it then fits the first healthy one better.
func (h *Healthy) Turned(r Record, anchored bool) Record {
	if h.N == 0 || anchored && h.Anchored {
		return r
	}
	s := r.Swapped()
	if distance(s, h.First) < distance(r, h.First) {
		return s
	}
	return r
}

// distance is how far the shapes of two records are apart, dimensionless.
func distance(a, b Record) float64 {
	sum := 40 * (a.ShareA - b.ShareA) * (a.ShareA - b.ShareA)
	for _, w := range [][2]Wave{{a.Inlet, b.Inlet}, {a.Discharge, b.Discharge}} {
		if len(w[0].Pa) != len(w[1].Pa) || len(w[0].Pa) == 0 {
			continue
		}
		m, n := w[0].Mean(), w[1].Mean()
		scale := 1e-9 + w[0].Synchronous() + w[1].Synchronous()
		for k := range w[0].Pa {
			d := float64(w[0].Pa[k]) - m - float64(w[1].Pa[k]) + n
			sum += d * d / scale / Points
		}
	}
	return sum
}

func (s *shape) learn(x float64, w Wave, scale float64) {
	if len(w.Pa) != Points {
		return
	}
	if s.N == 0 {
		s.Least, s.Most = x, x
	}
	s.Least, s.Most = min(s.Least, x), max(s.Most, x)
	s.N++
	s.X += x
	s.XX += x * x
	m := w.Mean()
	for k, v := range w.Pa {
		y := (float64(v) - m) / scale
		s.Y[k] += y
		s.XY[k] += x * y
		s.YY[k] += y * y
	}
}

// Expected is what the healthy pump shows over one cycle.
type Expected struct {
	// Pa is the pressure at each point, gauge, Band the half-width of its 95 % prediction interval; Band is nil where
	// too little was seen for one. Both are nil where the channel was not seen.
	Pa, Band []float64
}

// fewest is how many records a band needs.
const fewest = 6

// Expect draws the healthy cycle at the mean pressures of a record, Pa gauge.
func (h *Healthy) Expect(r Record, at Point) (inlet, discharge Expected) {
	x := at.ratio()
	if m := r.Inlet.Mean(); !math.IsNaN(m) {
		inlet = h.Inlet.expect(x, m, m+atmosphere)
	}
	if m := r.Discharge.Mean(); m >= leastDischarge {
		discharge = h.Discharge.expect(x, m, m)
	}
	return inlet, discharge
}

// ShareA is stroke A's mean share of the healthy cycle's time; 0 where nothing was seen.
func (h *Healthy) ShareA() float64 {
	if h.N == 0 {
		return 0
	}
	return h.Share / float64(h.N)
}

// slack is the spread of the head ratio below which the learned slopes are not believed: it is that of a scatter that teaches
// little.
const slack = 0.03

func (s *shape) expect(x, mean, scale float64) Expected {
	if s.N == 0 {
		return Expected{}
	}
	x = min(max(x, s.Least), s.Most) // no line is followed beyond what was seen
	mx := s.X / s.N
	sxx := max(s.XX-s.N*mx*mx, 0)
	out := Expected{Pa: make([]float64, Points)}
	if s.N >= fewest {
		out.Band = make([]float64, Points)
	}
	for k := range out.Pa {
		my := s.Y[k] / s.N
		sxy := s.XY[k] - s.N*mx*my
		slope := sxy / (sxx + s.N*slack*slack)
		out.Pa[k] = mean + scale*(my+slope*(x-mx))
		if out.Band != nil {
			rest := max(s.YY[k]-s.N*my*my-2*slope*sxy+slope*slope*sxx, 0)
			out.Band[k] = 2 * scale * math.Sqrt(rest/(s.N-2)*(1+1/s.N))
		}
	}
	return out
}
