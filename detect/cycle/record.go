package cycle

import "math"

// Wave is one pressure over one mean cycle.
type Wave struct {
	// Pa are the pressures at Points even steps of the cycle's time, gauge; the first is that at the changeover with which
	// stroke A begins. Empty where the channel lacks.
	Pa []float32 `json:"pa,omitempty"`
	// Residual is the mean square of what is not synchronous, Pa2: noise, and strokes that differ from each other.
	Residual float64 `json:"residual"`
}

// Record is the mean cycle of an epoch.
type Record struct {
	// Strokes is how many strokes it is the mean of.
	Strokes int `json:"strokes"`
	// ShareA is the part of the cycle's time that stroke A takes.
	ShareA float64 `json:"share_a"`
	// Period is the mean duration of a cycle, s.
	Period float64 `json:"period"`
	// Keep marks the one in some minutes that is stored and learned from.
	Keep      bool `json:"keep"`
	Inlet     Wave `json:"inlet"`
	Discharge Wave `json:"discharge"`
}

// Sides is the average of one pressure, a half for stroke A and one for stroke B.
type Sides [2]Half

// Wave puts the two strokes one after the other on even steps of the mean cycle's time, and tells stroke A's share of it
// and its length, s. ok is false where a side has less than two strokes.
func (s *Sides) Wave() (w Wave, shareA, period float64, ok bool) {
	if s[0].N < 2 || s[1].N < 2 {
		return Wave{}, 0, 0, false
	}
	a, b := s[0].Duration(), s[1].Duration()
	shareA, period = a/(a+b), a+b
	var all [Points]float64
	ma, mb := s[0].Mean(), s[1].Mean()
	copy(all[:PerStroke], ma[:])
	copy(all[PerStroke:], mb[:])
	w.Pa = make([]float32, Points)
	for k := range w.Pa {
		u := float64(k) / Points
		p := u / shareA * PerStroke
		if u >= shareA {
			p = PerStroke + (u-shareA)/(1-shareA)*PerStroke
		}
		i := int(p)
		at := func(i int) float64 { return all[(i+Points)%Points] }
		w.Pa[k] = float32(keys(at(i-1), at(i), at(i+1), at(i+2), p-float64(i)))
	}
	w.Residual = shareA*s[0].Residual() + (1-shareA)*s[1].Residual()
	return w, shareA, period, true
}

// Mean is the mean of the wave, Pa; NaN where it is empty.
func (w Wave) Mean() float64 {
	sum := 0.0
	for _, v := range w.Pa {
		sum += float64(v)
	}
	return sum / float64(len(w.Pa))
}

// Synchronous is the mean square of the wave about its mean, Pa2: the energy of all orders. It is NaN where the wave is
// empty.
func (w Wave) Synchronous() float64 {
	m, sum := w.Mean(), 0.0
	for _, v := range w.Pa {
		sum += (float64(v) - m) * (float64(v) - m)
	}
	return sum / float64(len(w.Pa))
}

// Orders are the first orders of the wave, order k being k times a cycle; empty where the wave is.
func (w Wave) Orders() []Order {
	if len(w.Pa) == 0 {
		return nil
	}
	x := make([]float64, len(w.Pa))
	for i, v := range w.Pa {
		x[i] = float64(v)
	}
	return Orders(x)
}

// swapped is the wave of which the second stroke, which begins at a share of the cycle, comes first.
func (w Wave) swapped(at float64) Wave {
	if len(w.Pa) == 0 {
		return w
	}
	n := len(w.Pa)
	out := Wave{Pa: make([]float32, n), Residual: w.Residual}
	for k := range out.Pa {
		p := float64(k) + at*float64(n)
		i := int(p)
		f := float32(p - float64(i))
		out.Pa[k] = (1-f)*w.Pa[i%n] + f*w.Pa[(i+1)%n]
	}
	return out
}

// Swapped is the record with A and B exchanged, as where their names were free.
func (r Record) Swapped() Record {
	r.Inlet, r.Discharge = r.Inlet.swapped(r.ShareA), r.Discharge.swapped(r.ShareA)
	r.ShareA = 1 - r.ShareA
	return r
}

// Order is one harmonic of the cycle: Amplitude*cos(k*angle + Phase), the angle counted from the beginning of stroke A.
type Order struct {
	// Amplitude is the peak value, in the unit of the wave; Phase in rad, -pi to pi.
	Amplitude, Phase float64
}

// NumOrders is how many orders are given.
const NumOrders = 8

// Orders are the orders 1 to NumOrders of one cycle that is given at even steps: 2/n times the discrete Fourier transform.
// x must have more than 2*NumOrders values.
func Orders(x []float64) []Order {
	n := len(x)
	if n <= 2*NumOrders {
		panic("cycle: orders of a cycle with too few points")
	}
	out := make([]Order, NumOrders)
	for k := range out {
		var re, im float64
		for i, v := range x {
			// The angle is reduced in whole numbers, which loses no digits.
			s, c := math.Sincos(2 * math.Pi * float64((k+1)*i%n) / float64(n))
			re += v * c
			im -= v * s
		}
		out[k] = Order{Amplitude: 2 * math.Hypot(re, im) / float64(n), Phase: math.Atan2(im, re)}
	}
	return out
}
