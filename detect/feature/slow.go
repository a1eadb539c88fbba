package feature

import (
	"math"
	"slices"

	"diastole/detect/robust"
	"diastole/detect/signal"
)

// The slow tier serves pumps of which no waveform comes, only readings about once a second and a counter: state,
// operating point, stroke rate and air per stroke. The waveform's other features do not exist in it.

// fastHold is how long after a waveform the readings between bursts are not made epochs of: a pump that is sampled
// in bursts is judged on its bursts.
const fastHold = 24 * 3600 * second

// slow holds readings of pressures and air flow that are no waveform, and how far they have been looked at.
type slow struct {
	Inlet, Discharge []reading
	// Active is set while an epoch of this tier is under way; Seen is up to when it has been looked at.
	Active bool
	Seen   int64
	// LastCount is the newest counter reading that has been looked at.
	LastCount reading
}

// isSlow reports whether a chunk is too coarse to show dips.
func isSlow(c signal.Chunk) bool {
	return c.Step == 0 || c.Step.Seconds() > maxStep
}

// appendReadings appends the values of a chunk as single readings.
func appendReadings(dst []reading, c signal.Chunk) []reading {
	for i, v := range c.Values {
		dst = append(dst, reading{T: c.Start.UnixNano() + int64(i)*int64(c.Step), V: v})
	}
	return dst
}

// dropBefore removes the readings before a time.
func dropBefore(r []reading, t int64) []reading {
	n := 0
	for n < len(r) && r[n].T < t {
		n++
	}
	if n == 0 {
		return r
	}
	return r[:copy(r, r[n:])]
}

// nextReading is the time of the first reading that has not been looked at.
func (b *Builder) nextReading() (int64, bool) {
	next := int64(math.MaxInt64)
	for _, list := range [][]reading{b.st.Slow.Inlet, b.st.Slow.Discharge, b.st.Counter} {
		for _, r := range list {
			if r.T >= b.st.Slow.Seen {
				next = min(next, r.T)
				break
			}
		}
	}
	return next, next < math.MaxInt64
}

// slowStep does the earliest thing that is due before or at a time while no waveform is there.
func (b *Builder) slowStep(to int64) bool {
	s := &b.st.Slow
	if b.st.Begun && !s.Active {
		return b.endBurst(to)
	}
	if !b.st.Begun && b.st.FastEnd > 0 {
		b.dropReadings(min(to, b.st.FastEnd+fastHold))
	}
	next, ok := b.nextReading()
	if !ok {
		return b.endBurst(to)
	}
	if b.endBurst(min(to, next)) {
		return true
	}
	if !b.st.Begun {
		if next >= to {
			return false
		}
		b.st.Begun, s.Active, s.Seen = true, true, next
		b.st.LastData = next
		b.begin(next)
		b.st.Running.start(next)
		s.LastCount = reading{}
		return true
	}
	if to < s.Seen+hop {
		return false
	}
	b.slowWindow(s.Seen, s.Seen+hop)
	return true
}

// dropReadings forgets the readings before a time.
func (b *Builder) dropReadings(t int64) {
	b.st.Counter = dropBefore(b.st.Counter, t)
	b.st.Slow.Inlet = dropBefore(b.st.Slow.Inlet, t)
	b.st.Slow.Discharge = dropBefore(b.st.Slow.Discharge, t)
	b.dropFlows(t)
}

// dropFlows forgets the readings of flows and of the supply before a time.
func (b *Builder) dropFlows(t int64) {
	b.st.Flow = dropBefore(b.st.Flow, t)
	b.st.Liquid = dropBefore(b.st.Liquid, t)
	b.st.Supply = dropBefore(b.st.Supply, t)
}

// slowWindow looks at the readings of [from, to).
func (b *Builder) slowWindow(from, to int64) {
	s, r := &b.st.Slow, &b.st.Running
	r.Swing = math.NaN()
	r.Inlet = newest(s.Inlet, to)
	r.Discharge = newest(s.Discharge, to)
	for _, list := range [][]reading{s.Inlet, s.Discharge} {
		for _, v := range list {
			if v.T >= from && v.T < to {
				b.st.LastData = max(b.st.LastData, v.T)
			}
		}
	}
	for _, c := range b.st.Counter {
		if c.T < from || c.T >= to {
			continue
		}
		b.st.LastData = max(b.st.LastData, c.T)
		if d, ok := b.delta(s.LastCount, c); s.LastCount.T > 0 && ok && d > 0 {
			if r.First == 0 {
				r.First = s.LastCount.T
			}
			r.Previous, r.Newest = r.Newest, c.T
		}
		s.LastCount = c
	}
	b.switchStrokes(from, to)
	r.Blind = to-s.LastCount.T > patience
	s.Seen = to
	b.st.Now = to
	b.judge(to, false)
	if b.st.Begun && to-b.st.Epoch.Start >= epochLength {
		b.finish(to, to)
		b.begin(to)
	}
}

// newest is the mean of the readings of the last hop before a time, or the newest one within a burst's gap.
func newest(r []reading, to int64) float64 {
	var sum, n float64
	for _, v := range r {
		if v.T >= to-hop && v.T < to {
			sum += v.V
			n++
		}
	}
	if n > 0 {
		return sum / n
	}
	for _, v := range slices.Backward(r) {
		if v.T < to && v.T >= to-burstGap {
			return v.V
		}
	}
	return math.NaN()
}

// readingsMean is the mean of the readings of [from, to), its error from their differences.
func (b *Builder) readingsMean(r []reading, from, to int64) Value {
	v := b.scratch.a[:0]
	for _, x := range r {
		if x.T >= from && x.T < to {
			v = append(v, x.V)
		}
	}
	b.scratch.a = v
	if len(v) < 3 {
		return Value{}
	}
	return Value{V: robust.Mean(v), SE: robust.MeanError(v, correlated), Valid: true}
}

// slowFeatures fills in what readings alone tell of a running pump.
func (b *Builder) slowFeatures(out *Epoch, readings []reading, from, to int64) {
	out.Tier = TierTelemetry
	out.Inlet = b.readingsMean(b.st.Slow.Inlet, from, to)
	out.Discharge = b.readingsMean(b.st.Slow.Discharge, from, to)
	if len(b.st.Epoch.Strokes) > 0 {
		// A switch gives each stroke its time.
		c := condenser{b: b, strokes: b.st.Epoch.Strokes, out: out}
		c.timing(readings)
	}
	out.Strokes = int(out.CounterDelta)
	rate := b.counterRate(readings)
	if out.Features[StrokeRate].Valid {
		rate = out.Features[StrokeRate]
	}
	out.Features[StrokeRate] = rate
	if flow := b.readingsMean(b.st.Flow, from, to); rate.Valid {
		out.Features[AirPerStroke] = airPerStroke(flow, rate, out.Inlet)
		b.slowUse(out, flow, from, to)
	}
}

// counterRate is the rate that counter readings tell. Each end of the span is uncertain by a stroke that is evenly
// spread (1/12) and by the jitter of the reading.
func (b *Builder) counterRate(readings []reading) Value {
	if len(readings) < 2 {
		return Value{}
	}
	first, last := readings[0], readings[len(readings)-1]
	span := float64(last.T-first.T) / 1e9
	total := 0.0
	for i := 1; i < len(readings); i++ {
		d, ok := b.delta(readings[i-1], readings[i])
		if !ok {
			return Value{}
		}
		total += d
	}
	if span < 5 || total < 4 {
		return Value{}
	}
	quantum := 1.0
	if b.perCycle() {
		quantum = 2
	}
	rate := total / span
	return Value{V: rate, SE: math.Hypot(quantum/math.Sqrt(6), rate*jitter*math.Sqrt2) / span, Valid: true}
}

// airPerStroke is the mean air flow over the stroke rate, divided by the absolute inlet pressure over 100 kPa.
func airPerStroke(flow, rate, inlet Value) Value {
	if !flow.Valid || !rate.Valid || !inlet.Valid || flow.V <= 0 {
		return Value{}
	}
	norm := (inlet.V + atmosphere) / 1e5
	v := flow.V / rate.V / norm
	se := math.Hypot(math.Hypot(flow.SE/flow.V, rate.SE/rate.V), inlet.SE/(inlet.V+atmosphere))
	return Value{V: v, SE: v * se, Valid: true}
}
