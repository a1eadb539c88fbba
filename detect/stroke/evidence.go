package stroke

import "math"

// The spans of the evidence, in shortest strokes, for the dips of big pumps are wider. Those of a one-inch pump, whose shortest
// stroke is 48 ms: the inlet falls within 10 to 30 ms, so the mean of the 25 ms before a sample less that of the 25 ms after
// it. The discharge sags for 30 to 150 ms and, where the valve hesitates, for as long as it does; what
// marks the changeover is that it turns and rises: a bend over 60 ms to either side (common practice).
const (
	inletSpan     = 0.52
	dischargeSpan = 1.25
	dischargeMean = 0.21
)

// maxLag bounds how much later than the inlet the discharge may turn, s: filling a hose or a damper takes some ten
// milliseconds, the sag of a big pump 200. A small pump's next changeover must not be taken for it: lagShare bounds the
// lag relative to the shortest stroke.
const (
	maxLag   = 0.250
	lagShare = 3.4
)

// minPresence is how far tall maxima must stand out of white noise for there to be strokes: those of a
// thousand noise samples reach 2 to 3.
const minPresence = 4

// scatter is that of a channel's evidence, relative to its height, that does not come from noise: no two changeovers
// are the same, and valves and pipes move the pressures as well. Where a span is one sample only, a dip of the inlet may fall
// between two: scatterCoarse.
const (
	scatter       = 0.08
	scatterCoarse = 0.25
)

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

// strength is that of a lane by the peaks that it remembers.
func (d *Decoder) strength(l *lane, span int) strength {
	h := l.height(&d.short)
	share := scatter
	if span == 1 {
		share = scatterCoarse
	}
	return strength{height: h, white: l.White, noise: math.Hypot(l.White, share*h)}
}

// weights make one evidence of the two channels', in standard deviations of its own noise. They are those of a matched filter
// over independent channels: height over variance (Kay, Fundamentals of Statistical Signal Processing II,
// 1998, ch. 4). Where one channel has a hole, the other counts alone, stretched to the same height.
type weights struct {
	// total is the evidence of an ordinary changeover; 0 where nothing stands out.
	total float64
	// in, out, and inAlone, outAlone weigh the channels.
	in, out, inAlone, outAlone float32
	// Where the inlet shows changeovers, the discharge counts for most at most, Pa, and in full only from an inlet's fall of full
	// on, Pa: how deep a sag is in which the valve hangs says nothing about where it ends. Elsewhere there are no such bounds.
	most, full float32
}

// clearInlet is the ratio from which an inlet by itself shows changeovers.
const clearInlet = 5

func weigh(in, out strength) weights {
	if max(in.presence(), out.presence()) < minPresence {
		return weights{}
	}
	w := weights{total: math.Hypot(in.ratio(), out.ratio()), most: float32(math.Inf(1)), full: float32(math.Inf(-1))}
	w.in, w.out = float32(over(in.ratio(), in.noise)/w.total), float32(over(out.ratio(), out.noise)/w.total)
	w.inAlone, w.outAlone = float32(over(w.total, in.height)), float32(over(w.total, out.height))
	if in.ratio() > clearInlet {
		w.most, w.full = float32(out.height), float32(in.height/3)
	}
	return w
}

// unbacked is the part of the discharge's evidence that counts where the inlet does not fall.
const unbacked = 0.25

// join is the evidence of a dip u of the inlet and a bend v of the discharge, NaN where a channel has a hole. f is how far the
// inlet falls there, dip or not: after a hang the pump runs against no pressure and draws so much air that the inlet stays low.
func (w *weights) join(u, v, f float32) float32 {
	switch {
	case u == u && v == v:
		v = min(v, w.most)
		if f < w.full && v > 0 {
			v *= unbacked + (1-unbacked)*max(f, 0)/w.full
		}
		return w.in*u + w.out*v
	case u == u:
		return w.inAlone * u
	case v == v:
		return w.outAlone * v
	}
	return 0
}

// extend forms the evidence of the samples that were pushed. Where more samples of the stretch will come, it stops where
// it would need them.
func (d *Decoder) extend(fresh int, final bool) {
	sp := d.spans()
	ripe := len(d.In.X)
	if !final {
		ripe = max(min(ripe-sp.slow, ripe-sp.w-sp.h-sp.lag), d.Ripe)
	}
	d.In.noise(&d.short, fresh, 2/float64(sp.n))
	d.In.fall(sp.n)
	d.dips(sp, ripe)
	d.Out.noise(&d.short, fresh, 1.5/float64(2*sp.h+1))
	known := len(d.Out.E)
	d.Out.bend(sp.w, sp.h)
	// The last places are looked at again when their neighbours are there.
	gap := sp.w/2 + 1
	d.Out.findPeaks(d.Out.E, max(known-gap, 0), len(d.Out.E)-gap, gap)
	in, out := d.strength(&d.In, sp.n), d.strength(&d.Out, sp.w)
	d.weights = weigh(in, out)
	lag := 0
	if in.height > 0 && out.height > 0 {
		lag = d.lag(sp.lag, d.Ripe, ripe, in)
	}
	least := float32(leastHeight(d.weights.total))
	for i := d.Ripe; i < ripe; i++ {
		z := float32(0)
		if d.weights.total > 0 {
			u, v := d.In.E[i], d.Out.at(i+lag)
			if z = d.weights.join(u, v, d.weights.full); z >= least {
				z = d.weights.join(u, v, d.In.fallAt(i))
			}
		}
		d.Z = append(d.Z, z)
	}
	d.Ripe = ripe
	d.findCandidates(sp, lag, final)
}

// at is the evidence at a place, NaN where it was not formed.
func (l *lane) at(i int) float32 {
	if i < len(l.E) {
		return l.E[i]
	}
	return float32(math.NaN())
}

// fallAt is how far an inlet falls about a place.
func (l *lane) fallAt(i int) float32 {
	f := float32(0)
	for _, v := range l.F[max(i-1, 0):max(min(i+2, len(l.F)), max(i-1, 0))] {
		f = max(f, v)
	}
	return f
}

// usualLag is supposed until the pump has shown its own, s.
const usualLag = 0.050

// leastCorrelation is that of falls and bends from which their lag is believed.
const leastCorrelation = 0.3

// lag finds, in samples, how much later the discharge turns than the inlet falls: the shift at which the
// discharge's bends, summed over the inlet's tall falls in [from, to), are largest. It is averaged over time.
func (d *Decoder) lag(most, from, to int, in strength) int {
	r := &d.Rhythm
	d.tall = d.tall[:0]
	square := float32(0)
	for i := from; i < to; i++ {
		if u := d.In.E[i]; u > float32(in.height/2) {
			d.tall = append(d.tall, i)
			square += u * u
		}
	}
	best, bestSum, bestSquare := -1, float32(0), float32(0)
	for l := 0; l <= most && len(d.tall) > 0; l++ {
		var sum, out float32
		for _, i := range d.tall {
			if i+l >= len(d.Out.E) {
				break
			}
			if v := d.Out.E[i+l]; v == v {
				sum += d.In.E[i] * v
				out += v * v
			}
		}
		if sum > bestSum {
			best, bestSum, bestSquare = l, sum, square*out
		}
	}
	if best >= 0 && float64(bestSum) > leastCorrelation*math.Sqrt(float64(bestSquare)) {
		if !r.HasLag {
			r.Lag, r.HasLag = float64(best)*d.Step, true
		}
		r.Lag += 0.2 * (float64(best)*d.Step - r.Lag)
	}
	if !r.HasLag {
		return min(round(usualLag/d.Step), most)
	}
	return min(round(r.Lag/d.Step), most)
}
