package stroke

import (
	"math"
	"slices"
)

// The spans of the evidence, s. The inlet falls within 10 to 30 ms: the mean of the span before a sample less the mean
// of the span after it. The discharge sags for 30 to 150 ms and, where the valve hesitates, for as long as it does; what
// marks the changeover is that it turns and rises: a bend over a span to either side (common practice).
const (
	inletSpan     = 0.025
	dischargeSpan = 0.060
	dischargeMean = 0.010
)

// maxLag bounds how much later than the inlet the discharge may turn, s: filling a hose or a damper takes some ten
// milliseconds, the sag of a big pump 200. A small pump's next changeover must not be taken for it: lagShare bounds the
// lag relative to the shortest stroke.
const (
	maxLag   = 0.250
	lagShare = 3.4
)

// minPresence is how far tall maxima must stand out of white noise for a window to hold strokes: those of a
// thousand noise samples reach 2 to 3.
const minPresence = 4

// scatter is that of a channel's evidence, relative to its height, that does not come from noise: no two changeovers
// are the same, and valves and pipes move the pressures as well.
const scatter = 0.08

// strength describes one channel's evidence: the usual height of its tall maxima, what white noise of the samples adds
// to it, and the whole scatter that it is trusted to have.
type strength struct{ height, white, noise float64 }

// ratio is the signal-to-noise ratio.
func (s strength) ratio() float64 { return over(s.height, s.noise) }

// presence is how far the tall maxima stand out of white noise.
func (s strength) presence() float64 { return over(s.height, s.white) }

func over(a, b float64) float64 {
	if b <= 0 {
		return 0
	}
	return a / b
}

// secondScale turns the median absolute second difference of white noise into its standard deviation,
// 1/(Phi^-1(3/4) sqrt(6)).
const secondScale = 1.482602218505602 / 2.449489742783178

// leastNoise is the noise below which a fall cannot be a changeover, relative to the absolute pressure. The smallest
// dips in practice are some fifty times that.
const leastNoise = 2e-4

// white is the standard deviation that white noise of the samples x gives an evidence which passes on a share of its
// variance. It is told by the second differences of some of the samples, which changeovers hardly touch.
func (d *Decoder) white(x []float32, share float64) float64 {
	d.sorted = d.sorted[:0]
	level := 0.0
	stride := max(2, len(x)/200)
	for i := 2; i < len(x); i += stride {
		if v := math.Abs(float64(x[i-2]) - 2*float64(x[i-1]) + float64(x[i])); v == v {
			d.sorted = append(d.sorted, v)
			level = float64(x[i])
		}
	}
	if len(d.sorted) == 0 {
		return 0
	}
	slices.Sort(d.sorted)
	return max(d.sorted[len(d.sorted)/2]*secondScale*math.Sqrt(share), leastNoise*(math.Abs(level)+101325))
}

// measure estimates the strength of evidence e over spans of n from its maxima.
func (d *Decoder) measure(e []float64, n int, white float64) strength {
	d.sorted = maxima(d.sorted[:0], e, n, white, len(e))
	if len(d.sorted) == 0 {
		return strength{white: white, noise: white}
	}
	height := tall(d.sorted)
	return strength{height: height, white: white, noise: math.Hypot(white, scatter*height)}
}

// combine forms the evidence of the window in d.z, in standard deviations of its own noise, and returns the
// height that an ordinary changeover has in it, 0 where nothing stands out. The weights are those of a matched filter
// over independent channels: height over variance (Kay, Fundamentals of Statistical Signal Processing II,
// 1998, ch. 4). Where one channel has a hole, the other counts alone, stretched to the same height.
func (d *Decoder) combine(w Window) float64 {
	var in, out strength
	n := max(len(w.Inlet), len(w.Discharge))
	nIn := max(int(math.Round(inletSpan/w.Step)), 1)
	nOut := max(int(math.Round(dischargeSpan/w.Step)), 1)
	if w.Inlet != nil {
		d.in = fall(d.in, w.Inlet, nIn)
		white := d.white(w.Inlet, 2/float64(nIn))
		d.dip(d.in, w, nIn, white)
		in = d.measure(d.in, nIn, white)
	}
	if w.Discharge != nil {
		half := int(math.Round(dischargeMean / w.Step))
		d.out = d.bend(d.out, w.Discharge, nOut, half)
		out = d.measure(d.out, nOut/2+1, d.white(w.Discharge, 1.5/float64(2*half+1)))
	}
	if max(in.presence(), out.presence()) < minPresence {
		return 0
	}
	lag := 0
	if in.height > 0 && out.height > 0 {
		lag = d.lag(w.Step, min(maxLag, lagShare*w.MinStroke), in)
	}
	total := math.Hypot(in.ratio(), out.ratio())
	inWeight, outWeight := over(in.ratio(), in.noise)/total, over(out.ratio(), out.noise)/total
	inAlone, outAlone := over(total, in.height), over(total, out.height)
	d.z = slices.Grow(d.z[:0], n)[:n]
	for i := range d.z {
		u, v := math.NaN(), math.NaN()
		if in.height > 0 {
			u = d.in[i]
		}
		if out.height > 0 && i+lag < n {
			v = d.out[i+lag]
		}
		switch {
		case u == u && v == v:
			d.z[i] = inWeight*u + outWeight*v
		case u == u:
			d.z[i] = inAlone * u
		case v == v && in.height == 0:
			d.z[i] = outAlone * v
		default:
			d.z[i] = 0
		}
	}
	return total
}

// usualLag is supposed until the pump has shown its own.
const usualLag = 0.050

// leastCorrelation is that of falls and bends from which their lag is believed.
const leastCorrelation = 0.3

// lag finds, in samples, how much later the discharge turns than the inlet falls: the shift at which the
// discharge's bends, summed over the inlet's tall falls, are largest. It is averaged over windows.
func (d *Decoder) lag(step, most float64, in strength) int {
	d.tall = d.tall[:0]
	for i, u := range d.in {
		if u > in.height/2 {
			d.tall = append(d.tall, i)
		}
	}
	best, bestSum, bestSquare := -1, 0.0, 0.0
	for l := 0; l <= int(most/step); l++ {
		var sum, square, out float64
		for _, i := range d.tall {
			if i+l >= len(d.out) {
				break
			}
			if u, v := d.in[i], d.out[i+l]; v == v {
				sum += u * v
				square += u * u
				out += v * v
			}
		}
		if sum > bestSum {
			best, bestSum, bestSquare = l, sum, square*out
		}
	}
	r := &d.Rhythm
	if best >= 0 && bestSum > leastCorrelation*math.Sqrt(bestSquare) {
		if !r.HasLag {
			r.Lag, r.HasLag = float64(best)*step, true
		}
		r.Lag += 0.2 * (float64(best)*step - r.Lag)
	}
	if !r.HasLag {
		return int(math.Round(usualLag / step))
	}
	return int(math.Round(r.Lag / step))
}
