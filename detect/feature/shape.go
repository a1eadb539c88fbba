package feature

import "math"

// record is one stroke of the epoch under way.
type record struct {
	// End is the time of the edge that ends the stroke, Dur the stroke's duration, s.
	End int64
	Dur float64
	// Depth, Width and Swing are those of the edge at its end; Inlet and Discharge the mean pressures over the
	// stroke, Pa. NaN where a channel lacks.
	Depth, Width, Swing, Inlet, Discharge float32
	Stretch                               int32
	// Number is that of the edge at its end within the stretch; the two sides alternate along it.
	Number int32
	// Gated is set for the first cycles after a stop.
	Gated bool
}

// addEdge settles an edge, and with it the stroke before the last one, whose trough is now complete.
func (b *Builder) addEdge(e edge) {
	st := &b.st.Stretch
	st.Count++
	if len(st.Edges) == 3 {
		copy(st.Edges, st.Edges[1:])
		st.Edges = st.Edges[:2]
	}
	st.Edges = append(st.Edges, e)
	if len(st.Edges) == 3 {
		b.addStroke(false, e.T)
	}
}

// addStroke records the stroke that ends at the last edge but one, or at the last one where the stretch ends with it.
func (b *Builder) addStroke(final bool, end int64) {
	st := &b.st.Stretch
	k := len(st.Edges) - 2
	number := st.Count - 1
	if final {
		k++
		number++
	}
	if k < 1 {
		return
	}
	from, to := st.Edges[k-1], st.Edges[k]
	r := record{
		End: to.T, Dur: float64(to.T-from.T) / 1e9, Depth: float32(to.Depth), Width: float32(to.Width),
		Stretch: int32(st.ID), Number: int32(number),
	}
	r.Inlet = mean(&b.st.Inlet, from.T, to.T)
	r.Discharge = mean(&b.st.Discharge, from.T, to.T)
	r.Swing = b.swing(from.T, to.T, end)
	if b.st.Running.Gate > 0 {
		b.st.Running.Gate--
		r.Gated = true
	}
	b.st.Epoch.Strokes = append(b.st.Epoch.Strokes, r)
}

// mean is the mean of a wave over [from, to), NaN where it has a gap there.
func mean(w *wave, from, to int64) float32 {
	s := w.span(from, to)
	if s == nil {
		return float32(math.NaN())
	}
	i, j := s.index(from), s.index(to)
	if j <= i {
		return float32(math.NaN())
	}
	sum := 0.0
	for _, v := range s.Buf[i:j] {
		sum += float64(v)
	}
	return float32(sum / float64(j-i))
}

// swing is the fall of the discharge from its peak in the stroke that ends at to, to its trough in the stroke after
// it, of which end has been seen; NaN where less than half of the latter has.
func (b *Builder) swing(from, to, end int64) float32 {
	dur := to - from
	last := min(end, to+dur)
	s := b.st.Discharge.span(from, last)
	if s == nil || last-to < dur/2 {
		return float32(math.NaN())
	}
	n := max(1, int(min(20*second/1000, dur/10)/s.Step))
	peak := extreme(s.Buf[s.index(from+dur/4):s.index(to+dur/5)], n, 1)
	trough := extreme(s.Buf[s.index(to):s.index(to+(last-to)*7/10)], n, -1)
	return peak - trough
}

// extreme is the largest (sign 1) or smallest (sign -1) mean of n neighbours in x, NaN where x is shorter.
func extreme(x []float32, n int, sign float32) float32 {
	if len(x) < n {
		return float32(math.NaN())
	}
	var sum float64
	for _, v := range x[:n] {
		sum += float64(v)
	}
	best := sum * float64(sign)
	for i := n; i < len(x); i++ {
		sum += float64(x[i]) - float64(x[i-n])
		best = max(best, sum*float64(sign))
	}
	return float32(best/float64(n)) * sign
}
