// Package cycle averages a pressure over the pump's own cycle: two strokes, A and then B. What the pump does in every
// cycle stays, what is not bound to its strokes averages out. This is time-synchronous averaging, see McFadden, "A revised
// model for the extraction of periodic waveforms by time domain averaging", Mechanical Systems and Signal Processing 1(1),
// 1987; the strokes' own ends are the tachometer, two pulses a cycle.
package cycle

import "math"

const (
	// Points is how many points a cycle has, half of them in each stroke.
	Points = 64
	// PerStroke is how many points a stroke has.
	PerStroke = Points / 2
)

// Half is the average of one pressure over the strokes of one side. Point j belongs to the share j/PerStroke of the
// stroke's time. The zero value has seen nothing.
//
// Sums are of differences from the first stroke: at 5 bar the squares of a ripple of some pascal would else be lost in
// rounding.
type Half struct {
	N                  int
	First, Sum, Square [PerStroke]float64
	// Dur is the sum of the strokes' durations, s.
	Dur float64
}

// Add takes one stroke: its pressure at the points, Pa, and its duration, s.
func (h *Half) Add(p *[PerStroke]float64, dur float64) {
	if h.N == 0 {
		h.First = *p
	}
	for j, v := range p {
		d := v - h.First[j]
		h.Sum[j] += d
		h.Square[j] += d * d
	}
	h.N++
	h.Dur += dur
}

// Merge takes all strokes of another average.
func (h *Half) Merge(o *Half) {
	if h.N == 0 {
		*h = *o
		return
	}
	n := float64(o.N)
	for j := range h.Sum {
		shift := o.First[j] - h.First[j]
		h.Square[j] += o.Square[j] + 2*shift*o.Sum[j] + n*shift*shift
		h.Sum[j] += o.Sum[j] + n*shift
	}
	h.N += o.N
	h.Dur += o.Dur
}

// Mean is the average stroke, Pa; NaN where there was no stroke.
func (h *Half) Mean() (m [PerStroke]float64) {
	for j := range m {
		m[j] = h.First[j] + h.Sum[j]/float64(h.N)
	}
	return m
}

// Residual is the mean square by which single strokes differ from the average one, Pa2: the unbiased variance of each
// point, averaged over the points. It is NaN with less than two strokes.
func (h *Half) Residual() float64 {
	n := float64(h.N)
	if h.N < 2 {
		return math.NaN()
	}
	sum := 0.0
	for j := range h.Sum {
		sum += max(h.Square[j]-h.Sum[j]*h.Sum[j]/n, 0)
	}
	return sum / (n - 1) / PerStroke
}

// Duration is the mean duration of a stroke, s; NaN where there was none.
func (h *Half) Duration() float64 { return h.Dur / float64(h.N) }

// Profile reads a stroke's pressure off evenly spaced samples: x[i] was taken at i*step. The stroke begins at from and
// lasts dur, in the unit of step. Between samples it follows the cubic of Keys ("Cubic convolution interpolation for digital
// image processing", IEEE Trans. Acoust. Speech Signal Process. 29(6), 1981, a = -1/2), beyond the ends the last sample
// stands. x must not be empty.
func Profile(dst *[PerStroke]float64, x []float32, step, from, dur float64) {
	last := len(x) - 1
	at := func(i int) float64 { return float64(x[min(max(i, 0), last)]) }
	for j := range dst {
		p := (from + dur*float64(j)/PerStroke) / step
		i := int(math.Floor(p))
		dst[j] = keys(at(i-1), at(i), at(i+1), at(i+2), p-float64(i))
	}
}

// keys interpolates between b and c, at the share u of their distance.
func keys(a, b, c, d, u float64) float64 {
	return b + u/2*(c-a+u*(2*a-5*b+4*c-d+u*(3*(b-c)+d-a)))
}
