package feature

// wave holds the samples of one channel that are still needed: one segment for each stretch without a gap.
type wave struct{ Segments []segment }

// segment is evenly sampled: Buf[i] was taken at T0 + i*Step.
type segment struct {
	T0, Step int64
	Buf      []float32
}

// end is the time just after the last sample.
func (s *segment) end() int64 { return s.T0 + int64(len(s.Buf))*s.Step }

// at is the time of sample i.
func (s *segment) at(i int) int64 { return s.T0 + int64(i)*s.Step }

// index is the number of the first sample at or after a time, at least 0 and at most len(Buf).
func (s *segment) index(t int64) int {
	if t <= s.T0 {
		return 0
	}
	return int(min((t-s.T0+s.Step-1)/s.Step, int64(len(s.Buf))))
}

// push appends a chunk, to the last segment where it follows it seamlessly: by the clock of its source a
// chunk may come up to one and a half samples early or late.
func (w *wave) push(start, step int64, values []float64) {
	n := len(w.Segments)
	if n == 0 || !w.Segments[n-1].follows(start, step) {
		w.add(start, step)
		n = len(w.Segments)
	}
	s := &w.Segments[n-1]
	for _, v := range values {
		s.Buf = append(s.Buf, float32(v))
	}
}

// add opens a segment, in the memory of a dropped one where there is one.
func (w *wave) add(start, step int64) {
	n := len(w.Segments)
	if n < cap(w.Segments) {
		w.Segments = w.Segments[:n+1]
		s := &w.Segments[n]
		s.T0, s.Step, s.Buf = start, max(step, 1), s.Buf[:0]
		return
	}
	w.Segments = append(w.Segments, segment{T0: start, Step: max(step, 1)})
}

// follows reports whether a chunk continues the segment, and moves the segment by a difference of clocks
// that is too small for a gap.
func (s *segment) follows(start, step int64) bool {
	if step != s.Step {
		return false
	}
	d := start - s.end()
	if 2*d > 3*step || 2*d < -3*step {
		return false
	}
	s.T0 += d / 8
	return true
}

// drop removes the first segment; its memory is kept for a later one.
func (w *wave) drop() {
	first := w.Segments[0]
	n := copy(w.Segments, w.Segments[1:])
	first.Buf = first.Buf[:0]
	w.Segments[n] = first
	w.Segments = w.Segments[:n]
}

// trim removes what was sampled before a time.
func (w *wave) trim(t int64) {
	for len(w.Segments) > 0 && w.Segments[0].end() <= t {
		w.drop()
	}
	if len(w.Segments) > 0 {
		w.Segments[0].cut(w.Segments[0].index(t))
	}
}

// cut removes the first n samples.
func (s *segment) cut(n int) {
	if n <= 0 {
		return
	}
	s.Buf = s.Buf[:copy(s.Buf, s.Buf[n:])]
	s.T0 += int64(n) * s.Step
}

// span returns the segment that holds all samples of [from, to), nil where there is none.
func (w *wave) span(from, to int64) *segment {
	for i := range w.Segments {
		s := &w.Segments[i]
		if s.T0 <= from+s.Step && s.end() >= to-s.Step {
			return s
		}
	}
	return nil
}
