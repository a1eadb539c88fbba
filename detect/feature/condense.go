package feature

import (
	"math"
	"slices"

	"diastole/detect/robust"
	"diastole/detect/signal"
)

// outlier is the distance from the median, in robust standard deviations, beyond which a value is left out
// of a mean.
const outlier = 4

// correlated is up to how many strokes apart two values are taken to depend on each other.
const correlated = 3

// atmosphere is the standard atmosphere, Pa (ISO 2533).
const atmosphere = 101325

// condenser makes the features of one epoch from its strokes.
type condenser struct {
	b       *Builder
	strokes []record
	out     *Epoch
	runs    []sided
}

// sided is a run of strokes of which the first is one of side A where aFirst is set.
type sided struct {
	strokes []record
	aFirst  bool
	// known is true where the counter tells the sides.
	known bool
}

// sign is +1 for a stroke of side A, -1 for one of side B.
func (s sided) sign(i int) float64 {
	if (i%2 == 0) == s.aFirst {
		return 1
	}
	return -1
}

// leastStrokes is how many strokes a run must have to say anything.
const leastStrokes = 4

// run fills in the epoch's features.
func (c *condenser) run(readings []reading) {
	n := len(c.strokes) + len(c.b.st.Flow)
	c.b.scratch.c = slices.Grow(c.b.scratch.c[:0], n)
	c.split(readings)
	if len(c.runs) == 0 {
		return
	}
	c.rate()
	c.operatingPoint()
	c.scatter()
	c.dips()
	c.ripple()
	c.dwell()
	c.sides()
	c.air()
	c.out.Tier = c.tier()
	if c.out.Tier == TierWaveform {
		c.jitter()
		c.cycles()
	}
	c.use()
	c.wander()
}

// timing fills in the features that need no more than the strokes' times.
func (c *condenser) timing(readings []reading) {
	c.b.scratch.c = slices.Grow(c.b.scratch.c[:0], len(c.strokes))
	c.split(readings)
	if len(c.runs) == 0 {
		return
	}
	c.rate()
	c.scatter()
	c.sides()
	c.out.Tier = TierEdges
}

// split finds the runs and their sides.
func (c *condenser) split(readings []reading) {
	var edges []run
	for _, strokes := range runsOf(c.strokes) {
		for len(strokes) > 0 && strokes[0].Gated {
			strokes = strokes[1:]
		}
		if len(strokes) < leastStrokes {
			continue
		}
		c.runs = append(c.runs, sided{strokes: strokes, aFirst: true})
		edges = append(edges, edgesOf(strokes, c.b.scratch.c))
	}
	odd := c.b.parity(edges, readings)
	c.out.CounterExcess = c.b.excess(edges, readings)
	c.b.compare(&c.out.CounterFacts, edges, readings)
	signalA := 0.0
	for k := range c.runs {
		r := &c.runs[k]
		p := odd[k]
		if r.strokes[0].Number&1 != 0 {
			p = 1 - p
		}
		if !c.b.set.Channels[signal.StrokeCount] {
			p = 0.5 // closings begin with any total
		}
		told := c.b.sideVotes(r.strokes)
		if p < certain && p > 1-certain {
			p = likely(told + c.b.switchVotes(r.strokes))
		}
		r.aFirst = p >= 0.5
		r.known = p >= certain || p <= 1-certain
		if r.known && r.aFirst {
			signalA += told
		} else if r.known {
			signalA -= told
		}
	}
	if p := likely(signalA); p >= certain || p <= 1-certain {
		c.out.SignalA = Value{V: math.Round(p), Valid: true}
	}
}

// set stores a feature where its numbers are finite.
func (c *condenser) set(id ID, v, se float64) {
	if bad(v) || bad(se) {
		return
	}
	c.out.Features[id] = Value{V: v, SE: se, Valid: true}
}

func bad(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }

// rate is strokes per second over whole cycles, its error from the scatter of the cycles.
func (c *condenser) rate() {
	cycles := c.b.scratch.a[:0]
	for _, r := range c.runs {
		for i := 1; i < len(r.strokes); i += 2 {
			cycles = append(cycles, r.strokes[i-1].Dur+r.strokes[i].Dur)
		}
	}
	c.b.scratch.a = cycles
	m := robust.Mean(cycles)
	c.set(StrokeRate, 2/m, 2/m*robust.MeanError(cycles, 1)/m)
}

// operatingPoint is the time means of the pressures over whole cycles; of a pressure that comes as readings, their mean.
func (c *condenser) operatingPoint() {
	c.out.Inlet = c.timeMean(func(s *record) float32 { return s.Inlet })
	c.out.Discharge = c.timeMean(func(s *record) float32 { return s.Discharge })
	e := &c.b.st.Epoch
	if end := e.Strokes[len(e.Strokes)-1].End; !c.out.Inlet.Valid {
		c.out.Inlet = c.b.readingsMean(c.b.st.Slow.Inlet, e.Start, end)
	} else if !c.out.Discharge.Valid {
		c.out.Discharge = c.b.readingsMean(c.b.st.Slow.Discharge, e.Start, end)
	}
}

// timeMean is the mean of a pressure, weighted with the strokes' durations. Its error comes from the differences
// of neighbouring cycles: a slow drift of the pressure is no error of its mean.
func (c *condenser) timeMean(of func(*record) float32) Value {
	var sum, time, square, pairs float64
	for _, r := range c.runs {
		last := math.NaN()
		for i := 1; i < len(r.strokes); i += 2 {
			s, t := &r.strokes[i-1], &r.strokes[i]
			u, v := float64(of(s)), float64(of(t))
			if math.IsNaN(u + v) {
				last = math.NaN()
				continue
			}
			part := u*s.Dur + v*t.Dur
			sum += part
			time += s.Dur + t.Dur
			cycle := part / (s.Dur + t.Dur)
			if !math.IsNaN(last) {
				square += (cycle - last) * (cycle - last) / 2
				pairs++
			}
			last = cycle
		}
	}
	if pairs == 0 {
		return Value{}
	}
	return Value{V: sum / time, SE: math.Sqrt(square / pairs / (pairs + 1)), Valid: true}
}

// scatter is dispersion and hesitation, each about the stroke's own side and free of slow drift.
func (c *condenser) scatter() {
	diffs, ratios := c.b.scratch.a[:0], c.b.scratch.b[:0]
	for _, r := range c.runs {
		for i := range r.strokes {
			if i >= 2 {
				u, v := r.strokes[i].Dur, r.strokes[i-2].Dur
				diffs = append(diffs, 2*(u-v)/(u+v))
			}
			ratios = append(ratios, r.strokes[i].Dur/c.ownMedian(r.strokes, i))
		}
	}
	c.b.scratch.a, c.b.scratch.b = diffs, ratios
	n := float64(len(diffs))
	if n < 6 {
		return
	}
	d := robust.MADScale * robust.MAD(diffs, c.b.scratch.c) / math.Sqrt2
	// The MAD of a normal sample has 37 % of the efficiency of its standard deviation (Rousseeuw and Croux
	// 1993), and differences at lag two are correlated.
	c.set(Dispersion, d, d*1.35/math.Sqrt(n))
	p95, se := robust.QuantileError(ratios, 0.95, c.b.scratch.c)
	c.set(Hesitation, p95-1, se)
}

// ownMedian is the median duration of the seven strokes of the same side nearest to stroke i.
func (c *condenser) ownMedian(strokes []record, i int) float64 {
	near := c.b.scratch.d[:0]
	first := max(i-6, i%2)
	if most := len(strokes) - 1; first+12 > most {
		first = max(most-12, 0)
		first += (i - first) % 2
	}
	for j := first; j < len(strokes) && len(near) < 7; j += 2 {
		near = append(near, strokes[j].Dur)
	}
	c.b.scratch.d = near
	return robust.Median(near, c.b.scratch.c)
}

// level is the mean of a stroke's quantity and its standard error, without outliers: of each side by itself, for the sides of
// a worn pump differ, and then of the two.
func (c *condenser) level(of func(*record) float32) (mean, se float64) {
	var m, e [2]float64
	for side, sign := range [2]float64{1, -1} {
		all := c.b.scratch.a[:0]
		for _, r := range c.runs {
			for i := range r.strokes {
				if v := float64(of(&r.strokes[i])); r.sign(i) == sign && !math.IsNaN(v) {
					all = append(all, v)
				}
			}
		}
		c.b.scratch.a = all
		c.b.scratch.b = robust.Kept(c.b.scratch.b, all, outlier, c.b.scratch.c)
		m[side], e[side] = robust.Mean(c.b.scratch.b), robust.MeanError(c.b.scratch.b, correlated)
	}
	return (m[0] + m[1]) / 2, math.Hypot(e[0], e[1]) / 2
}

// dips is depth and width of the inlet's dips.
func (c *condenser) dips() {
	if !c.out.Inlet.Valid {
		return
	}
	depth, se := c.level(func(s *record) float32 { return s.Depth })
	abs := c.out.Inlet.V + atmosphere
	c.set(DipDepth, depth/abs, se/abs)
	width, se := c.level(func(s *record) float32 { return s.Width })
	c.set(DipWidth, width, se)
}

// leastDischarge is the mean discharge pressure below which a swing relative to it says nothing: it is of
// the order of a transmitter's zero error.
const leastDischarge = 5e3

// ripple is the swing of the discharge.
func (c *condenser) ripple() {
	if !c.out.Discharge.Valid || c.out.Discharge.V < leastDischarge {
		return
	}
	swing, se := c.level(func(s *record) float32 { return s.Swing })
	m := c.out.Discharge.V
	c.set(Ripple, swing/m, math.Hypot(se, swing/m*c.out.Discharge.SE)/m)
}

// dwell is how long before the end of a stroke the discharge begins to fall.
func (c *condenser) dwell() {
	share, se := c.level(func(s *record) float32 { return s.Dwell / float32(s.Dur) })
	c.set(Dwell, share, se)
}

// sides is what differs between A and B. Where no run is tied to the counter, the longest one
// speaks for itself, and its sign is free.
func (c *condenser) sides() {
	var runs []sided
	for _, r := range c.runs {
		if r.known {
			runs = append(runs, r)
		}
	}
	c.out.Anchored = len(runs) > 0
	if len(runs) == 0 {
		longest := c.runs[0]
		for _, r := range c.runs {
			if len(r.strokes) > len(longest.strokes) {
				longest = r
			}
		}
		runs = append(runs, longest)
	}
	duration := func(s *record) float64 { return s.Dur }
	swing := func(s *record) float64 { return float64(s.Swing) }
	c.contrast(Asymmetry, runs, duration, duration)
	c.contrast(RippleAsymmetry, runs, swing, swing)
	c.contrast(DwellAsymmetry, runs, func(s *record) float64 { return float64(s.Dwell) }, duration)
}

// contrast is A-B of a quantity over A+B of the same or of another one: each stroke against the mean of its two
// neighbours, which belong to the other side, so that a slow drift cancels.
func (c *condenser) contrast(id ID, runs []sided, of, over func(*record) float64) {
	all, rest := c.b.scratch.a[:0], c.b.scratch.d[:0]
	for _, r := range runs {
		for i := 1; i+1 < len(r.strokes); i++ {
			before, here, after := &r.strokes[i-1], &r.strokes[i], &r.strokes[i+1]
			difference := of(here) - (of(before)+of(after))/2
			if v := r.sign(i) * difference / (over(here) + (over(before)+over(after))/2); !bad(v) {
				all = append(all, v)
			}
		}
		rest = appendRest(rest, r, of, over)
	}
	c.b.scratch.a, c.b.scratch.d = all, rest
	kept := robust.Kept(c.b.scratch.b, all, outlier, c.b.scratch.c)
	v := robust.Mean(kept)
	kept = robust.Kept(kept, rest, outlier, c.b.scratch.c)
	c.b.scratch.b = kept
	c.set(id, v, robust.MeanError(kept, 1))
}

// appendRest appends what a quantity differs by from the mean of its own side and a common straight trend, signed
// by the side and relative to the mean of all of the other quantity: the mean of these has the error of the contrast, and little of
// the correlation that neighbours bring into its own terms.
func appendRest(dst []float64, r sided, of, over func(*record) float64) []float64 {
	n := len(r.strokes)
	var sum, scale, count [2]float64
	for i := range r.strokes {
		if v, w := of(&r.strokes[i]), over(&r.strokes[i]); !bad(v + w) {
			sum[i%2] += v
			scale[i%2] += w
			count[i%2]++
		}
	}
	if count[0] == 0 || count[1] == 0 {
		return dst
	}
	mean := [2]float64{sum[0] / count[0], sum[1] / count[1]}
	all := scale[0]/count[0] + scale[1]/count[1]
	var xy, xx float64
	for i := range r.strokes {
		if v := of(&r.strokes[i]); !bad(v) {
			x := float64(i) - float64(n-1)/2
			xy += x * (v - mean[i%2])
			xx += x * x
		}
	}
	for i := range r.strokes {
		x := float64(i) - float64(n-1)/2
		if v := of(&r.strokes[i]); !bad(v) {
			dst = append(dst, r.sign(i)*(v-mean[i%2]-xy/xx*x)*2/all)
		}
	}
	return dst
}

// air is the air per stroke: the mean flow over the running strokes times their mean duration.
func (c *condenser) air() {
	flow := c.b.scratch.a[:0]
	for _, r := range c.runs {
		from := r.strokes[0].End - int64(math.Round(r.strokes[0].Dur*1e9))
		to := r.strokes[len(r.strokes)-1].End
		for _, v := range c.b.st.Flow {
			if v.T >= from && v.T < to {
				flow = append(flow, v.V)
			}
		}
	}
	c.b.scratch.a = flow
	if len(flow) < 8 {
		return
	}
	mean := Value{V: robust.Mean(flow), SE: robust.MeanError(flow, correlated), Valid: true}
	if v := airPerStroke(mean, c.out.Features[StrokeRate], c.out.Inlet); v.Valid {
		c.set(AirPerStroke, v.V, v.SE)
	}
}
