package feature

import "math"

// record is one stroke of the epoch under way.
type record struct {
	// End is the time of the edge that ends the stroke, Dur the stroke's duration, s.
	End int64
	Dur float64
	// Depth, Width, Swing and Dwell are those of the edge at its end; Inlet and Discharge the mean pressures over
	// the stroke, Pa. NaN where a channel lacks.
	Depth, Width, Swing, Dwell, Inlet, Discharge float32
	Stretch                                      int32
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
	r.Swing, r.Dwell = b.fall(from.T, to.T, end)
	if b.st.Running.Gate > 0 {
		b.st.Running.Gate--
		b.st.Running.GateEnd = to.T
		r.Gated = true
	}
	b.st.Epoch.Strokes = append(b.st.Epoch.Strokes, r)
	b.averageStroke(&r, from.T, to.T)
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

// fallen is the share of its fall at which the discharge is said to have begun to fall: early, but clear of noise and of
// the slope that the stroke itself has.
const fallen = 0.3

// fall is that of the discharge from its peak in the stroke that ends at to, to its trough in the stroke after it, of
// which end has been seen: how deep (Pa), and how long before to it began (s; negative where after it). Both are NaN
// where less than half of the stroke after it has been seen.
func (b *Builder) fall(from, to, end int64) (depth, dwell float32) {
	nan := float32(math.NaN())
	dur := to - from
	last := min(end, to+dur)
	s := b.st.Discharge.span(from, last)
	if s == nil || last-to < dur/2 {
		return nan, nan
	}
	n := max(1, int(min(20*second/1000, dur/10)/s.Step))
	head, tail := s.index(from+dur/4), s.index(to+(last-to)*7/10)
	peak := extreme(s.Buf[head:s.index(to+dur/5)], n, 1)
	trough, at := extremeAt(s.Buf[s.index(to):tail], n, -1)
	depth = peak - trough
	if !(depth > 0) {
		return depth, nan
	}
	level := peak - fallen*depth
	for i := s.index(to) + at; i > head; i-- {
		if u, v := s.Buf[i-1], s.Buf[i]; u >= level && v < level {
			t := float64(s.at(i)) - float64(s.Step)*float64((level-v)/(u-v))
			return depth, float32((float64(to) - t) / 1e9)
		}
	}
	return depth, nan
}

// swing is the largest less the smallest mean of n neighbours in x, NaN where x is shorter.
func swing(x []float32, n int) float32 {
	if len(x) < n {
		return float32(math.NaN())
	}
	if n == 1 {
		low, high := x[0], x[0]
		for _, v := range x {
			low, high = min(low, v), max(high, v)
		}
		return high - low
	}
	var sum float64
	for _, v := range x[:n] {
		sum += float64(v)
	}
	low, high := sum, sum
	for i := n; i < len(x); i++ {
		sum += float64(x[i]) - float64(x[i-n])
		if sum < low {
			low = sum
		} else if sum > high {
			high = sum
		}
	}
	return float32((high - low) / float64(n))
}

// extreme is the largest (sign 1) or smallest (sign -1) mean of n neighbours in x, NaN where x is shorter.
func extreme(x []float32, n int, sign float32) float32 {
	v, _ := extremeAt(x, n, sign)
	return v
}

// extremeAt also tells where the middle of these neighbours is.
func extremeAt(x []float32, n int, sign float32) (value float32, at int) {
	if len(x) < n {
		return float32(math.NaN()), 0
	}
	var sum float64
	for _, v := range x[:n] {
		sum += float64(v)
	}
	best := sum * float64(sign)
	at = n / 2
	for i := n; i < len(x); i++ {
		sum += float64(x[i]) - float64(x[i-n])
		if w := sum * float64(sign); w > best {
			best, at = w, i-n/2
		}
	}
	return float32(best/float64(n)) * sign, at
}
