package sensor

import "math"

// filter is a low-pass of second order with the flat response of Butterworth, made by the bilinear
// transform with the cutoff kept (Oppenheim and Schafer, Discrete-Time Signal Processing).
type filter struct {
	on             bool
	b0, a1, a2     float64
	x1, x2, y1, y2 float64
	primed         bool
}

// newFilter makes one for a cutoff and a sampling rate, both in Hz; a cutoff of zero passes all.
func newFilter(cutoff, rate float64) filter {
	if cutoff <= 0 {
		return filter{}
	}
	w := math.Tan(math.Pi * cutoff / rate)
	n := 1 / (1 + math.Sqrt2*w + w*w)
	return filter{on: true, b0: w * w * n, a1: 2 * (w*w - 1) * n, a2: (1 - math.Sqrt2*w + w*w) * n}
}

// step takes one value and gives the filtered one. The first value finds the filter settled at it.
func (f *filter) step(x float64) float64 {
	if !f.on {
		return x
	}
	if !f.primed {
		f.primed = true
		f.x1, f.x2, f.y1, f.y2 = x, x, x, x
	}
	y := f.b0*(x+2*f.x1+f.x2) - f.a1*f.y1 - f.a2*f.y2
	f.x2, f.x1, f.y2, f.y1 = f.x1, x, f.y1, y
	return y
}
