package stroke

import (
	"math"
	"slices"
)

// The spans over which a fall is looked for: the mean of the span before a sample less the mean of the span
// after it. The inlet falls within 10 to 30 ms, the discharge sags over 30 to 150 ms (AODD practice).
const (
	inletSpan     = 0.025
	dischargeSpan = 0.060
)

// maxLag bounds how much later than the inlet the discharge may show a changeover, s: filling a hose or a
// damper takes some ten milliseconds, the sag itself up to 150 ms.
const maxLag = 0.120

// fall writes to dst, for each sample of x, the mean over n samples before it less the mean over the
// n samples after it. Within n samples of either end it is zero.
func fall(dst []float64, x []float32, n int) []float64 {
	dst = slices.Grow(dst[:0], len(x))[:len(x)]
	clear(dst)
	if len(x) < 2*n+1 {
		return dst
	}
	var before, after float64
	for k := range n {
		before += float64(x[k])
		after += float64(x[n+1+k])
	}
	inv := 1 / float64(n)
	for i := n; i < len(x)-n; i++ {
		dst[i] = (before - after) * inv
		if i+1 < len(x)-n {
			before += float64(x[i]) - float64(x[i-n])
			after += float64(x[i+1+n]) - float64(x[i+1])
		}
	}
	return dst
}

// strength describes one channel's evidence: the usual height of its tall maxima, the scatter between them, and
// the part of the latter that white noise of the samples makes.
type strength struct{ height, noise, white float64 }

// ratio is the signal-to-noise ratio.
func (s strength) ratio() float64 {
	if s.noise <= 0 {
		return 0
	}
	return s.height / s.noise
}

// quarterScale turns the lower quartile of |x| of a normal sample into its standard deviation,
// 1/Phi^-1(5/8).
const quarterScale = 3.1383

// secondScale turns the median absolute second difference of white noise into its standard deviation,
// 1/(Phi^-1(3/4) sqrt(6)).
const secondScale = 1.482602218505602 / 2.449489742783178

// maxRatio bounds the trust in one channel: even without noise no two changeovers are the same.
const maxRatio = 40

// presence is how far the tall maxima stand out of white noise.
func (s strength) presence() float64 {
	if s.white <= 0 {
		return 0
	}
	return s.height / s.white
}

// measure estimates the strength of evidence e of samples x over spans of n. The scatter comes from the lower quartile,
// which the changeovers themselves touch least, the white noise from second differences.
func (d *Decoder) measure(e []float64, x []float32, n int) strength {
	floor := leastNoise(x)
	d.sorted = d.sorted[:0]
	for i := 2; i < len(x); i += 2 {
		d.sorted = append(d.sorted, math.Abs(float64(x[i-2])-2*float64(x[i-1])+float64(x[i])))
	}
	if len(d.sorted) == 0 {
		return strength{}
	}
	slices.Sort(d.sorted)
	white := d.sorted[len(d.sorted)/2] * secondScale * math.Sqrt(2/float64(n))
	white = max(white, floor)
	d.sorted = d.sorted[:0]
	for i := 0; i < len(e); i += 2 {
		d.sorted = append(d.sorted, math.Abs(e[i]))
	}
	if len(d.sorted) == 0 {
		return strength{}
	}
	slices.Sort(d.sorted)
	noise := max(d.sorted[len(d.sorted)/4]*quarterScale, white)
	d.sorted = d.sorted[:0]
	for i := range e {
		if isMaximum(e, i, n) && e[i] > white {
			d.sorted = append(d.sorted, e[i])
		}
	}
	if len(d.sorted) == 0 {
		return strength{noise: noise, white: white}
	}
	slices.Sort(d.sorted)
	height := tall(d.sorted)
	return strength{height: height, noise: max(noise, height/maxRatio), white: white}
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

// combine forms the evidence of the window in d.z, in standard deviations of its own noise, and returns the
// height that an ordinary changeover has in it, 0 where nothing stands out. The weights are those of a matched filter over
// independent channels: height over variance (Kay, Fundamentals of Statistical Signal Processing II, 1998, ch. 4).
func (d *Decoder) combine(w Window) float64 {
	var in, out strength
	n := max(len(w.Inlet), len(w.Discharge))
	nIn := max(int(math.Round(inletSpan/w.Step)), 1)
	nOut := max(int(math.Round(dischargeSpan/w.Step)), 1)
	if w.Inlet != nil {
		d.in = fall(d.in, w.Inlet, nIn)
		in = d.measure(d.in, w.Inlet, nIn)
	}
	if w.Discharge != nil {
		d.out = fall(d.out, w.Discharge, nOut)
		out = d.measure(d.out, w.Discharge, nOut)
	}
	if max(in.presence(), out.presence()) < minPresence {
		return 0
	}
	lag := 0
	if w.Inlet != nil && w.Discharge != nil {
		lag = d.lag(w.Step, in)
	}
	total := math.Hypot(in.ratio(), out.ratio())
	d.z = slices.Grow(d.z[:0], n)[:n]
	if total == 0 {
		clear(d.z)
		return 0
	}
	wIn, wOut := 0.0, 0.0
	if in.noise > 0 {
		wIn = in.ratio() / in.noise / total
	}
	if out.noise > 0 {
		wOut = out.ratio() / out.noise / total
	}
	for i := range d.z {
		v := 0.0
		if w.Inlet != nil {
			v = wIn * d.in[i]
		}
		if w.Discharge != nil && i+lag < n {
			v += wOut * d.out[i+lag]
		}
		d.z[i] = v
	}
	return total
}

// leastNoise is the noise below which a fall cannot be a changeover: 0.02 % of the absolute pressure at
// the window's start. The smallest dips in practice are some fifty times that.
func leastNoise(x []float32) float64 {
	return 2e-4 * (math.Abs(float64(x[0])) + 101325)
}

// lag finds, in samples, how much later the discharge falls than the inlet: the shift at which the
// discharge's falls, summed over the inlet's tall ones, are largest. It is averaged over windows.
func (d *Decoder) lag(step float64, in strength) int {
	most := int(maxLag / step)
	best, bestSum := -1, 0.0
	for l := 0; l <= most; l++ {
		sum := 0.0
		for i := 0; i+l < len(d.in); i++ {
			if d.in[i] > in.height/2 {
				sum += d.in[i] * d.out[i+l]
			}
		}
		if sum > bestSum {
			best, bestSum = l, sum
		}
	}
	if best >= 0 && in.presence() >= minPresence {
		if d.Rhythm.HasLag {
			d.Rhythm.Lag += 0.2 * (float64(best)*step - d.Rhythm.Lag)
		} else {
			d.Rhythm.Lag, d.Rhythm.HasLag = float64(best)*step, true
		}
	}
	return int(math.Round(d.Rhythm.Lag / step))
}
