package feature

import (
	"math"
	"slices"
	"time"

	"diastole/detect/robust"
	"diastole/detect/signal"
)

// building is the epoch under way.
type building struct {
	Start   int64
	State   State
	Strokes []record
	// Cycles are the averages of the strokes, by stretch.
	Cycles []cycleRun
}

// begin opens an epoch.
func (b *Builder) begin(start int64) {
	b.st.Epoch.Start, b.st.Epoch.State = start, b.st.Running.State
	b.st.Epoch.Strokes = b.st.Epoch.Strokes[:0]
	b.st.Epoch.Cycles = b.st.Epoch.Cycles[:0]
}

// cutEpoch ends the epoch under way where a state began that is not its own.
func (b *Builder) cutEpoch(s State, since int64) {
	e := &b.st.Epoch
	if since <= e.Start+second || e.State == Unknown && len(e.Strokes) == 0 {
		e.State = s
		return
	}
	n := len(e.Strokes)
	for n > 0 && e.Strokes[n-1].End > since {
		n--
	}
	later := slices.Clone(e.Strokes[n:])
	e.Strokes = e.Strokes[:n]
	b.finish(since, since)
	e.Start, e.State = since, s
	e.Strokes = append(e.Strokes[:0], later...)
	e.Cycles = e.Cycles[:0]
}

// finish condenses the epoch under way, which ends at a time, and hands it out. The counter readings before limit are its
// own.
func (b *Builder) finish(end, limit int64) {
	e := &b.st.Epoch
	if end <= e.Start {
		return
	}
	out := Epoch{
		Start: time.Unix(0, e.Start).UTC(), End: time.Unix(0, end).UTC(), State: e.State, Strokes: len(e.Strokes),
	}
	readings := b.takeReadings(limit)
	b.count(&out, readings)
	switch {
	case e.State == Stalled:
		b.standstill(&out)
	case e.State != Running && e.State != Dry:
	case b.st.Slow.Active:
		b.slowFeatures(&out, readings, e.Start, end)
	default:
		c := condenser{b: b, strokes: e.Strokes, out: &out}
		c.run(readings)
	}
	b.dropFlows(end - 2*second)
	b.st.Side = dropBefore(b.st.Side, end-sideMemory)
	b.trimSwitch(end - 2*patience)
	b.st.Slow.Inlet = dropBefore(b.st.Slow.Inlet, end-burstGap)
	b.st.Slow.Discharge = dropBefore(b.st.Slow.Discharge, end-burstGap)
	b.epochs = append(b.epochs, out)
}

// takeReadings removes the counter readings before a time.
func (b *Builder) takeReadings(end int64) []reading {
	n := 0
	for n < len(b.st.Counter) && b.st.Counter[n].T < end {
		n++
	}
	b.scratch.readings = append(b.scratch.readings[:0], b.st.Counter[:n]...)
	b.st.Counter = b.st.Counter[:copy(b.st.Counter, b.st.Counter[n:])]
	return b.scratch.readings
}

// count notes what the counter told.
func (b *Builder) count(out *Epoch, readings []reading) {
	out.CounterFacts.Readings = int32(len(readings))
	for _, r := range readings {
		if b.st.HasReading {
			b.facts(&out.CounterFacts, b.st.LastReading, r)
			if d, ok := b.delta(b.st.LastReading, r); ok {
				out.CounterDelta += d
			}
		}
		b.st.LastReading, b.st.HasReading = r, true
		// A total of closings is no counter's.
		out.Counter = Value{V: r.V, Valid: b.set.Channels[signal.StrokeCount]}
	}
}

// runsOf splits strokes into runs without a gap.
func runsOf(strokes []record) [][]record {
	var runs [][]record
	from := 0
	for i := range strokes {
		if i > 0 && (strokes[i].Stretch != strokes[i-1].Stretch || strokes[i].Number != strokes[i-1].Number+1) {
			runs = append(runs, strokes[from:i])
			from = i
		}
	}
	if from < len(strokes) {
		runs = append(runs, strokes[from:])
	}
	return runs
}

// edgesOf is the run as edges, as the counter's parity wants it.
func edgesOf(strokes []record, scratch []float64) run {
	r := run{number: strokes[0].Number - 1, times: make([]int64, 0, len(strokes)+1)}
	r.times = append(r.times, strokes[0].End-int64(math.Round(strokes[0].Dur*1e9)))
	durations := make([]float64, 0, len(strokes))
	for _, s := range strokes {
		r.times = append(r.times, s.End)
		durations = append(durations, s.Dur)
	}
	r.long = int64(1.5e9 * robust.Quantile(durations, 0.4, scratch))
	return r
}
