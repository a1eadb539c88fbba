package feature

import (
	"math"
	"slices"
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
	// Cut is how many samples of the stretch are no longer in the segment, Gridded how many grid points of it the decoder has.
	Cut, Gridded int
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
	own, other      []float32
	edges, closings []edge
	readings        []reading
	a, b, c, d      []float64
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
	edges, settled := b.edges(seg, n, final)
	edges, settled = b.switched(edges, settled, end, final)
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

// edges gives the samples up to n to the decoder, and returns the edges after the last settled one, of which the first are
// settled now.
func (b *Builder) edges(seg *segment, n int, final bool) (edges []edge, settled int) {
	st, d := &b.st.Stretch, &b.decoder
	per := perPoint(seg.Step)
	if st.Gridded == 0 {
		d.Begin(float64(seg.Step*int64(per))/1e9, minStroke(b.set.MaxStrokeRate))
	}
	own, other := b.grid(seg, n, per)
	if b.primary() == &b.st.Inlet {
		d.Push(own, other, final)
	} else {
		d.Push(other, own, final)
	}
	st.Gridded += len(own)
	// The time of the stretch's first grid point by the clock of now.
	t0 := seg.T0 - int64(st.Cut)*seg.Step + (int64(per-1)*seg.Step)/2
	found, settled := d.Find(b.counterPrior(t0), final)
	b.scratch.edges = b.scratch.edges[:0]
	for _, e := range found {
		b.scratch.edges = append(b.scratch.edges, edge{
			T: t0 + int64(math.Round(e.At*1e9)), Side: e.Side, Depth: e.Depth, Width: e.Width,
		})
	}
	return b.scratch.edges, settled
}

// perPoint is how many samples of a step go into one point of the decoder's grid, which is at least 5 ms.
func perPoint(step int64) int { return max(1, int((5e6+step/2)/step)) }

// grid puts the pressures that the decoder has not got, up to sample n, on its grid. other is nil where the secondary channel
// has nothing there.
func (b *Builder) grid(seg *segment, n, per int) (own, other []float32) {
	st := &b.st.Stretch
	m := (n+st.Cut)/per - st.Gridded
	first := st.Gridded*per - st.Cut
	if per == 1 {
		own = seg.Buf[first : first+m]
	} else {
		own = slices.Grow(b.scratch.own[:0], m)[:m]
		b.scratch.own = own
		inv := 1 / float32(per)
		for k := range own {
			sum := float32(0)
			for _, v := range seg.Buf[first+k*per : first+(k+1)*per] {
				sum += v
			}
			own[k] = sum * inv
		}
	}
	step := seg.Step * int64(per)
	other = b.secondary().resample(b.scratch.other, seg.at(first)+(int64(per-1)*seg.Step)/2, step, m, seg.at(n))
	if other != nil {
		b.scratch.other = other
	}
	return own, other
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
// between its samples where they are wider spaced than that, or NaN where it has a gap. It looks at no sample at or after
// end. It is nil where there is nothing.
func (w *wave) resample(dst []float32, t0, step int64, m int, end int64) []float32 {
	dst = slices.Grow(dst[:0], m)[:m]
	found := false
	k := 0
	for i := range w.Segments {
		s := &w.Segments[i]
		last := s.index(end) - 1
		if float64(s.Step)/1e9 > maxStep || last < 0 {
			continue
		}
		for ; k < m && t0+int64(k)*step < s.T0-s.Step/2; k++ {
			dst[k] = float32(math.NaN())
		}
		from := k
		limit := s.at(last + 1)
		for k < m && t0+int64(k)*step < limit {
			k++
		}
		if from == k {
			continue
		}
		found = true
		s.means(dst[from:k], t0+int64(from)*step, step, last)
	}
	for ; k < m; k++ {
		dst[k] = float32(math.NaN())
	}
	if !found {
		return nil
	}
	return dst
}

// means writes to dst the means of the samples within half a step of t, t+step and so on, or the values there where fewer than
// two are; last is the index of the last sample that may be looked at.
func (s *segment) means(dst []float32, t, step int64, last int) {
	if s.Step == step {
		// One sample each, all as far off.
		i := int(max(t-s.T0, 0) / s.Step)
		f := float32(max(t-s.T0, 0)-int64(i)*s.Step) / float32(s.Step)
		for k := range dst {
			v := s.Buf[min(i, last)]
			if i < last {
				v += f * (s.Buf[i+1] - v)
			}
			dst[k] = v
			i++
		}
		return
	}
	for k := range dst {
		i, j := s.index(t-step/2), min(s.index(t+step/2), last+1)
		if j-i < 2 {
			dst[k] = s.value(t, last)
		} else {
			sum := float32(0)
			for _, v := range s.Buf[i:j] {
				sum += v
			}
			dst[k] = sum / float32(j-i)
		}
		t += step
	}
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
	cut := min(seg.index(keep), n)
	if cut <= 0 {
		return
	}
	seg.cut(cut)
	st.Seen -= cut
	st.Cut += cut
	b.secondary().trim(seg.T0 - before)
}
