package feature

import (
	"math"
	"slices"

	"diastole/detect/stroke"
)

// The grid of the counter's latency: how much older than its time stamp a reading may be. A little negative
// is possible where two clocks differ.
const (
	latencyFrom = -150 * second / 1000
	latencyStep = 10 * second / 1000
	latencies   = 96
)

// latency is the log posterior over the counter's latency, less what one epoch adds.
type latency struct{ Log [latencies]float64 }

// latencyPrior is the log prior of a latency. A counter's switch closes some 10 ms before the inlet's dip shows the
// changeover, and it is read within some ten milliseconds; but a slow poll or a clock that differs is possible.
func latencyPrior(i int) float64 {
	const usual, scale, other = -0.01, 0.03, 0.02
	t := float64(latencyFrom+int64(i)*latencyStep) / 1e9
	return math.Log((1-other)*math.Exp(-math.Abs(t-usual)/scale)/(2*scale) + other/(float64(latencies*latencyStep)/1e9))
}

func newLatency() latency {
	var l latency
	for i := range l.Log {
		l.Log[i] = latencyPrior(i)
	}
	return l
}

// add mixes the evidence of an epoch in, and forgets a little of the older ones.
func (l *latency) add(evidence *[latencies]float64) {
	const keep = 0.98
	top := math.Inf(-1)
	for i := range l.Log {
		prior := latencyPrior(i)
		l.Log[i] = prior + keep*(l.Log[i]-prior) + evidence[i]
		top = max(top, l.Log[i])
	}
	for i := range l.Log {
		l.Log[i] -= top
	}
}

// delta is how much the counter advanced between two readings, in strokes; ok is false where it went
// backwards without a wrap, or faster than any pump.
func (b *Builder) delta(from, to reading) (float64, bool) {
	d := to.V - from.V
	if d < 0 && b.set.WrapsAt > 0 {
		d += b.set.WrapsAt
	}
	if b.perCycle() {
		d *= 2
	}
	limit := 3*b.maxRate()*float64(to.T-from.T)/1e9 + 3
	return d, d >= 0 && d <= limit
}

// maxRate is the fastest stroke rate of the pump, 1/s.
func (b *Builder) maxRate() float64 {
	if b.set.MaxStrokeRate > 0 {
		return b.set.MaxStrokeRate
	}
	return 15
}

// counterPrior tells the decoder how many strokes the counter makes of the part of the stretch that is open; t0 is the time of
// its first grid point. Between readings the total is taken to rise evenly, before the first and after the last one as fast as
// beside them.
func (b *Builder) counterPrior(t0 int64) stroke.Counter {
	begin, end := b.decoder.Open()
	late := b.st.Latency.likeliest()
	from, to := t0+int64(begin*1e9)+late, t0+int64(end*1e9)+late
	var last reading
	var strokes, beyond, span float64
	n := 0
	for _, c := range b.st.Counter {
		if c.T < b.st.Running.From || n > 0 && c.T == last.T {
			continue
		}
		if n++; n > 1 {
			d, ok := b.delta(last, c)
			if !ok {
				return stroke.Counter{}
			}
			width := c.T - last.T
			if n == 2 && last.T > from {
				part := float64(min(last.T, to) - from)
				strokes += d * part / float64(width)
				span += part
			}
			if part := min(c.T, to) - max(last.T, from); part > 0 {
				strokes += d * float64(part) / float64(width)
				span += float64(part)
			}
			if c.T <= to {
				beyond = d / float64(width)
			}
		}
		if last = c; c.T >= to {
			break
		}
	}
	open := float64(to - from)
	if rest := float64(to - last.T); rest > 0 && rest < open {
		strokes += rest * beyond
		span += rest
	}
	if n < 3 || strokes == 0 || span < 0.9*open || span > 1.1*open {
		return stroke.Counter{}
	}
	quantum := 1.0
	if b.perCycle() {
		quantum = 2
	}
	// Half a quantum of uncertainty at each end, half a stroke of what is found at the end, and strokes that do not come
	// evenly.
	return stroke.Counter{Strokes: strokes, SE: math.Hypot(0.7*quantum, 0.5) + 0.03*strokes}
}

// run is the edges of one stretch within an epoch: the number of the first, and the times of all, which follow each
// other without a gap. A stroke longer than long says nothing of the counter: whether it counts the end of the
// piston's travel or the valve's switch, which a hesitating valve parts, is not known.
type run struct {
	number int32
	times  []int64
	long   int64
}

// certain is the probability from which a parity is believed.
const certain = 0.98

// A reading that comes late or early by the jitter of poll and network misses the strokes that it should see by
// some ten milliseconds. jitter is its standard deviation, s; mostMiss bounds the log-likelihood that one reading costs, and
// mostEpoch what all those of an epoch may cost a latency.
const (
	jitter    = 0.015
	mostMiss  = 3
	mostEpoch = 8
)

// parity finds, for each run, the probability that totals at edges with an even number are odd, and adds what
// the epoch tells to the latency's posterior.
func (b *Builder) parity(runs []run, readings []reading) []float64 {
	var evidence [latencies]float64
	totals := make([][latencies]int64, len(runs))
	for k, r := range runs {
		for i := range latencies {
			total, fit := b.offset(r, readings, latencyFrom+int64(i)*latencyStep)
			totals[k][i] = total
			evidence[i] += fit
		}
	}
	top := slices.Max(evidence[:])
	for i := range evidence {
		evidence[i] = max(evidence[i]-top, -mostEpoch)
	}
	b.st.Latency.add(&evidence)
	odd := make([]float64, len(runs))
	for k, r := range runs {
		var yes, all float64
		for i := range latencies {
			if totals[k][i] == unknownTotal {
				continue
			}
			p := math.Exp(b.st.Latency.Log[i])
			all += p
			if (totals[k][i]-int64(r.number))&1 != 0 {
				yes += p
			}
		}
		odd[k] = 0.5
		if all > 0 {
			odd[k] = yes / all
		}
	}
	return odd
}

// unknownTotal marks a run that no reading touches.
const unknownTotal = math.MinInt64

// offset is the total at the first edge of a run that fits the readings best if they are old by a latency, and the
// log-likelihood of that fit.
func (b *Builder) offset(r run, readings []reading, latency int64) (int64, float64) {
	const slots = 6
	var totals [slots]int64
	var votes [slots]int
	used := 0
	b.seen(r, readings, latency, func(c reading, _ int64, k int) {
		for _, total := range b.totals(c.V, k) {
			i := slices.Index(totals[:used], total)
			if i < 0 && used < slots {
				i = used
				totals[i] = total
				used++
			}
			if i >= 0 {
				votes[i]++
			}
		}
	})
	if used == 0 {
		return unknownTotal, 0
	}
	best := 0
	for i := range used {
		if votes[i] > votes[best] {
			best = i
		}
	}
	cost := 0.0
	b.seen(r, readings, latency, func(c reading, t int64, k int) {
		u := b.miss(r, totals[best], c, t) / jitter
		cost += min(u*u/2, mostMiss)
	})
	return totals[best], -cost
}

// seen calls f with each reading that falls into a usual stroke of a run if it is old by a latency, the time for which it
// stands, and the number of the run's edges until then.
func (b *Builder) seen(r run, readings []reading, latency int64, f func(c reading, t int64, k int)) {
	k := 0
	for _, c := range readings {
		t := c.T - latency
		for k < len(r.times) && r.times[k] <= t {
			k++
		}
		if k == 0 || k == len(r.times) || r.times[k]-r.times[k-1] > r.long {
			continue
		}
		f(c, t, k)
	}
}

// miss is by how much, in s, the time t of a reading lies outside the time in which a run shows its total, where the total
// at the run's first edge is given.
func (b *Builder) miss(r run, total int64, c reading, t int64) float64 {
	first, last := int64(math.Round(c.V))-total, int64(math.Round(c.V))-total+1
	if b.perCycle() {
		first, last = 2*int64(math.Round(c.V))-total, 2*int64(math.Round(c.V))-total+2
	}
	late, early := 0.0, 0.0
	switch {
	case first >= int64(len(r.times)):
		late = 1
	case first >= 0:
		late = float64(r.times[first]-t) / 1e9
	}
	switch {
	case last < 0:
		early = 1
	case last < int64(len(r.times)):
		early = float64(t-r.times[last]) / 1e9
	}
	return max(late, early, 0)
}

// totals are the totals at the first edge of a run that a reading allows after k of its edges: one for a counter of
// strokes, two for one of cycles.
func (b *Builder) totals(v float64, k int) []int64 {
	c := int64(math.Round(v))
	if b.perCycle() {
		return []int64{2*c - int64(k) + 1, 2*c + 1 - int64(k) + 1}
	}
	return []int64{c - int64(k) + 1}
}

// excess is how many strokes more the counter saw than the runs have, from the first to the last reading within each.
func (b *Builder) excess(runs []run, readings []reading) Value {
	latency := b.st.Latency.likeliest()
	var sum float64
	ok := false
	for _, r := range runs {
		var last reading
		at := -1
		b.seen(r, readings, latency, func(c reading, _ int64, k int) {
			if d, good := b.delta(last, c); at >= 0 && good {
				sum += d - float64(k-at)
				ok = true
			}
			last, at = c, k
		})
	}
	return Value{V: sum, SE: 1, Valid: ok}
}

// likeliest is the latency with the highest posterior.
func (l *latency) likeliest() int64 {
	best := 0
	for i, v := range l.Log {
		if v > l.Log[best] {
			best = i
		}
	}
	return latencyFrom + int64(best)*latencyStep
}
