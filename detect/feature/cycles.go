package feature

import (
	"math"

	"diastole/detect/cycle"
)

// cycleRun averages the strokes of one stretch without a gap by the parity of their numbers: which parity is side A is known
// only at the end of the epoch.
type cycleRun struct {
	Stretch          int32
	Inlet, Discharge cycle.Sides
}

// mostCycleRuns is how many stretches of an epoch are averaged: of a signal in tatters the first ones tell enough.
const mostCycleRuns = 4

// keepEvery is the time in which one mean cycle is kept, for the store and for learning.
const keepEvery = 600 * second

// samplesWaveform is how many samples a stroke has in the mean where its shape is seen. Of simulated pumps the orders 1 to 8 are
// then right to some 1 % of the wave's root mean square; at 11 samples they are to 8 % (plant_cycle_test.go).
const samplesWaveform = 20

// averageStroke adds a stroke to the mean cycle.
func (b *Builder) averageStroke(r *record, from, to int64) {
	if r.Gated || to <= from {
		return
	}
	run := b.cycleRun(r.Stretch)
	if run == nil {
		return
	}
	side := int(r.Number & 1)
	addProfile(&run.Inlet[side], &b.st.Inlet, from, to)
	addProfile(&run.Discharge[side], &b.st.Discharge, from, to)
}

func (b *Builder) cycleRun(stretch int32) *cycleRun {
	runs := b.st.Epoch.Cycles
	if n := len(runs); n > 0 && runs[n-1].Stretch == stretch {
		return &runs[n-1]
	}
	if len(runs) == mostCycleRuns {
		return nil
	}
	b.st.Epoch.Cycles = append(runs, cycleRun{Stretch: stretch})
	return &b.st.Epoch.Cycles[len(runs)]
}

func addProfile(h *cycle.Half, w *wave, from, to int64) {
	s := w.span(from, to)
	if s == nil || to-from < samplesWaveform/2*s.Step {
		return
	}
	i, j := max(s.index(from)-2, 0), min(s.index(to)+2, len(s.Buf))
	var p [cycle.PerStroke]float64
	cycle.Profile(&p, s.Buf[i:j], float64(s.Step), float64(from-s.at(i)), float64(to-from))
	h.Add(&p, float64(to-from)/1e9)
}

// cycles puts the averages of the runs together, A with A where the sides are known.
func (c *condenser) cycles() {
	var inlet, discharge cycle.Sides
	free, most := -1, 0
	for k, r := range c.runs {
		run := c.b.averagesOf(r.strokes[0].Stretch)
		if run == nil {
			continue
		}
		if !r.known {
			if free < 0 || len(r.strokes) > most {
				free, most = k, len(r.strokes)
			}
			continue
		}
		c.merge(&inlet, &discharge, r, run)
	}
	if !c.out.Anchored && free >= 0 {
		r := c.runs[free]
		c.merge(&inlet, &discharge, r, c.b.averagesOf(r.strokes[0].Stretch))
	}
	rec := cycle.Record{Strokes: max(inlet[0].N+inlet[1].N, discharge[0].N+discharge[1].N)}
	in, shareIn, periodIn, okIn := inlet.Wave()
	out, shareOut, periodOut, okOut := discharge.Wave()
	switch {
	case okIn:
		rec.ShareA, rec.Period = shareIn, periodIn
	case okOut:
		rec.ShareA, rec.Period = shareOut, periodOut
	default:
		return
	}
	rec.Inlet, rec.Discharge = in, out
	if end := c.out.End.UnixNano(); c.out.State == Running && end-c.b.st.KeptCycle >= keepEvery {
		rec.Keep = true
		c.b.st.KeptCycle = end
	}
	c.out.Cycle = &rec
}

func (b *Builder) averagesOf(stretch int32) *cycleRun {
	for i := range b.st.Epoch.Cycles {
		if b.st.Epoch.Cycles[i].Stretch == stretch {
			return &b.st.Epoch.Cycles[i]
		}
	}
	return nil
}

// merge adds the averages of a run, whose first stroke tells which parity is side A.
func (c *condenser) merge(inlet, discharge *cycle.Sides, r sided, run *cycleRun) {
	a := int(r.strokes[0].Number & 1)
	if !r.aFirst {
		a = 1 - a
	}
	for side := range 2 {
		inlet[side].Merge(&run.Inlet[side^a])
		discharge[side].Merge(&run.Discharge[side^a])
	}
}

// jitter is the beat-to-beat jitter of whole cycles. In a lower tier the error of the strokes' moments, a third of a sample,
// would be more than the jitter of a sound pump.
func (c *condenser) jitter() {
	cycles := make([][]float64, 0, len(c.runs))
	for _, r := range c.runs {
		var times []float64
		for i := 1; i < len(r.strokes); i += 2 {
			times = append(times, r.strokes[i-1].Dur+r.strokes[i].Dur)
		}
		cycles = append(cycles, times)
	}
	if j, se := cycle.Jitter(cycles...); !bad(j) && !bad(se) {
		c.out.Jitter = Value{V: j, SE: se, Valid: true}
	}
}

// tier is how much of a stroke the primary pressure shows.
func (c *condenser) tier() Tier {
	var samples, strokes float64
	for _, r := range c.runs {
		for i := range r.strokes {
			samples += r.strokes[i].Dur
			strokes++
		}
	}
	step := c.b.st.PrimaryStep
	if strokes == 0 || step == 0 || math.IsNaN(samples) {
		return TierNone
	}
	if samples/strokes >= samplesWaveform*float64(step)/1e9 {
		return TierWaveform
	}
	return TierCoarse
}
