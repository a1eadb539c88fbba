package feature

import (
	"math"
	"slices"

	"diastole/detect/stroke"
)

// stretch is what is known of the primary waveform's stretch without a gap that is being looked at: its
// segment is the first of the primary wave.
type stretch struct {
	// ID tells stretches apart.
	ID int
	// Seen is how many samples of the segment have been looked at.
	Seen int
	// Edges are the last settled edges that are still needed to measure strokes.
	Edges []edge
	// Count is the number of settled edges since the stretch began.
	Count int
}

// edge is a settled changeover.
type edge struct {
	T    int64
	Side uint8
	// Depth and Width are those of the inlet's dip, Pa and s, NaN where it could not be measured.
	Depth, Width float64
}

// scratch is memory that is used again.
type scratch struct {
	inlet, discharge []float32
	edges            []edge
	readings         []reading
	a, b, c, d       []float64
}

// What is kept of a waveform as the past of the next window: past at least, and as much as the strokes that are
// still open need, but never more than longestPast; with a margin before the oldest edge.
const (
	past        = 5 * second
	longestPast = 10 * second
	before      = second / 10
)

// window looks at the first n samples of the primary's first segment, of which the last ones are new, and settles
// the edges that no later sample can move. final tells that the segment ends here.
func (b *Builder) window(n int, final bool) {
	p := b.primary()
	seg := &p.Segments[0]
	st := &b.st.Stretch
	end := seg.at(n)
	fresh := seg.at(st.Seen)
	if !b.st.Begun {
		b.st.Begun = true
		b.dropReadings(seg.T0)
		b.begin(seg.T0)
		b.st.Running.start(seg.T0)
	}
	b.st.PrimaryStep = seg.Step
	b.pressures(fresh, end)
	edges := b.edges(seg, n)
	settled := b.settledCount(edges, end, final)
	for _, e := range edges[:settled] {
		b.addEdge(e)
	}
	if final {
		b.addStroke(true, end)
	}
	b.st.Running.saw(edges)
	st.Seen = n
	b.st.Now = end
	b.st.LastData = max(b.st.LastData, end)
	b.st.FastEnd = end
	b.st.Running.Blind = false
	b.judge(end, false)
	b.noteStall(fresh, end)
	if !final {
		b.forget(seg, n)
	}
	if b.st.Begun && end-b.st.Epoch.Start >= epochLength && !final {
		b.finish(end, end)
		b.begin(end)
	}
}

// edges decodes the window of the first n samples, and returns the edges after the last settled one.
func (b *Builder) edges(seg *segment, n int) []edge {
	st := &b.st.Stretch
	w, t0 := b.grid(seg, n)
	if len(w.Inlet)+len(w.Discharge) == 0 {
		return nil
	}
	if len(st.Edges) > 0 {
		last := st.Edges[len(st.Edges)-1]
		w.HasFixed = true
		w.Fixed = stroke.Edge{At: float64(last.T-t0) / 1e9, Side: last.Side}
	}
	b.counterPrior(&w, t0, seg.at(n))
	b.decoder.Rhythm = b.st.Rhythm
	found := b.decoder.Decode(w)
	b.st.Rhythm = b.decoder.Rhythm
	b.scratch.edges = b.scratch.edges[:0]
	for _, e := range found {
		b.scratch.edges = append(b.scratch.edges, edge{
			T: t0 + int64(math.Round(e.At*1e9)), Side: e.Side, Depth: e.Depth, Width: e.Width,
		})
	}
	return b.scratch.edges
}

// settledCount is how many of the edges stay as they are whatever comes.
func (b *Builder) settledCount(edges []edge, end int64, final bool) int {
	if final {
		return len(edges)
	}
	r := b.st.Rhythm
	open := end - int64(1e9*min(max(1.5*(r.Period[0]+r.Period[1]), 0.3), 4))
	n := 0
	for n < len(edges) && edges[n].T < open {
		n++
	}
	return n
}

// grid puts the pressures of the window on one even grid of at least 5 ms, and returns the time of its first point.
func (b *Builder) grid(seg *segment, n int) (stroke.Window, int64) {
	per := max(1, int((5e6+seg.Step/2)/seg.Step))
	m := n / per
	step := seg.Step * int64(per)
	t0 := seg.T0 + (int64(per-1)*seg.Step)/2
	w := stroke.Window{Step: float64(step) / 1e9, MinStroke: minStroke(b.set.MaxStrokeRate)}
	if w.Step > maxStep || m < 8 {
		return stroke.Window{}, t0
	}
	own := slices.Grow(b.scratch.inlet[:0], m)[:m]
	b.scratch.inlet = own
	inv := 1 / float32(per)
	for k := range own {
		sum := float32(0)
		for _, v := range seg.Buf[k*per : (k+1)*per] {
			sum += v
		}
		own[k] = sum * inv
	}
	other := b.secondary().resample(b.scratch.discharge, t0, step, m)
	if other != nil {
		b.scratch.discharge = other
	}
	if b.primary() == &b.st.Inlet {
		w.Inlet, w.Discharge = own, other
	} else {
		w.Inlet, w.Discharge = other, own
	}
	return w, t0
}

// maxStep is the widest spacing at which a dip of 20 to 60 ms is still seen, s.
const maxStep = 0.041

// minStroke is the shortest stroke of a pump with a free-flow stroke rate, s: a pump that runs dry is up to
// two and a half times as fast, and of a limping one the short strokes are shorter still.
func minStroke(rate float64) float64 {
	if rate <= 0 {
		return 0.04
	}
	return min(max(0.35/rate, 0.03), 0.2)
}

// resample writes to dst the means of the wave over each of m steps centred on t0 + k*step, or the values
// between its samples where they are wider spaced than that, or NaN where it has a gap. It is nil where there is nothing.
func (w *wave) resample(dst []float32, t0, step int64, m int) []float32 {
	dst = slices.Grow(dst[:0], m)[:m]
	found := false
	k := 0
	for i := range w.Segments {
		s := &w.Segments[i]
		if float64(s.Step)/1e9 > maxStep {
			continue
		}
		for ; k < m && t0+int64(k)*step < s.T0-s.Step/2; k++ {
			dst[k] = float32(math.NaN())
		}
		for ; k < m && t0+int64(k)*step < s.end(); k++ {
			dst[k] = s.around(t0+int64(k)*step, step)
			found = true
		}
	}
	for ; k < m; k++ {
		dst[k] = float32(math.NaN())
	}
	if !found {
		return nil
	}
	return dst
}

// around is the mean of the samples within half a step of a time, or the value there where fewer than two are.
func (s *segment) around(t, step int64) float32 {
	i, j := s.index(t-step/2), s.index(t+step/2)
	if j-i < 2 {
		return s.value(t, len(s.Buf)-1)
	}
	sum := float32(0)
	for _, v := range s.Buf[i:j] {
		sum += v
	}
	return sum / float32(j-i)
}

// value is the linear interpolation at a time; last is the index of the last sample.
func (s *segment) value(t int64, last int) float32 {
	if t <= s.T0 {
		return s.Buf[0]
	}
	i := int((t - s.T0) / s.Step)
	if i >= last {
		return s.Buf[last]
	}
	f := float32(t-s.at(i)) / float32(s.Step)
	return s.Buf[i] + f*(s.Buf[i+1]-s.Buf[i])
}

// forget drops the samples that no later window needs.
func (b *Builder) forget(seg *segment, n int) {
	st := &b.st.Stretch
	keep := seg.at(n) - past
	if k := len(st.Edges); k > 0 {
		keep = min(keep, max(st.Edges[max(k-2, 0)].T-before, seg.at(n)-longestPast))
	}
	per := max(1, int((5e6+seg.Step/2)/seg.Step))
	cut := min(seg.index(keep)/per*per, n)
	if cut <= 0 {
		return
	}
	seg.cut(cut)
	st.Seen -= cut
	b.secondary().trim(seg.T0 - before)
}
