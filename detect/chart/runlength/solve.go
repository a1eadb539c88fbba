package runlength

import "math"

// increasing is the positive root of an increasing f, sought upward from first; f is negative at 0. It is found by regula
// falsi in the Illinois form (Dowell and Jarratt 1971, BIT 11:168) to a relative 1e-12.
func increasing(f func(float64) float64, first float64) float64 {
	a, b := first, first
	fa := f(first)
	fb := fa
	for ; fb < 0; fb = f(b) {
		a, fa = b, fb
		b *= 2
	}
	for fa >= 0 {
		b, fb = a, fa
		a /= 2
		fa = f(a)
	}
	for last := 0; b-a > 1e-12*b; {
		x := (a*fb - b*fa) / (fb - fa)
		if !(x > a && x < b) {
			x = a + (b-a)/2
		}
		fx := f(x)
		switch {
		case math.Abs(fx) < 1e-13:
			return x
		case fx < 0:
			a, fa = x, fx
			if last < 0 {
				fb /= 2
			}
			last = -1
		default:
			b, fb = x, fx
			if last > 0 {
				fa /= 2
			}
			last = 1
		}
	}
	return b
}
