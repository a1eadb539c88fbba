// Package settle brings the samples of one pump into order of data time: it holds each chunk for a short
// reorder window, and drops what comes twice, too late, or with a time that cannot be right.
//
// What it hands out, and in which order, depends only on the chunks offered and their arrivals, never on how
// often it is asked: a replay, which asks at arrivals only, gets what the live agent with its ticks got.
package settle

import (
	"slices"
	"time"

	"diastole/detect/signal"
)

// Window is how long a chunk waits for others, in data time: gateways publish the channels of one pump
// within a second or two of one another (common practice).
const Window = 2 * time.Second

// maxBuffered bounds what one pump may hold, samples: a megabyte, some 20 s of all channels at 400 Hz.
const maxBuffered = 1 << 17

// Verdict is what became of an offered chunk.
type Verdict string

// The verdicts.
const (
	// Accepted: it will be handed out in its turn.
	Accepted Verdict = "accepted"
	// Replaced: accepted in place of another single reading of the same time that had not gone out yet.
	Replaced Verdict = "replaced"
	// Duplicate: dropped, it brings no sample that is not known.
	Duplicate Verdict = "duplicate"
	// Late: dropped, later samples of its channel have gone out.
	Late Verdict = "late"
	// Clock: dropped, its time lies too far ahead of all else; many such in a row are believed.
	Clock Verdict = "clock"
)

// Settler orders the samples of one pump. It is one goroutine's, like the monitor behind it.
type Settler struct {
	state State
	limit int
	held  int // samples in state.Pending
	out   []signal.Chunk
	free  [][]float64
}

// New is a settler that has seen nothing.
func New() *Settler { return &Settler{limit: maxBuffered} }

// Offer takes a chunk that arrived at arrival; its values are copied. What falls due is kept for the next
// Advance, which must follow now and then. Arrivals are expected not to go back; where the wall clock steps
// back nothing is lost, but ticks before and after the step may then matter.
func (s *Settler) Offer(arrival time.Time, c signal.Chunk) Verdict {
	// What is due goes first, so that no tick in between could have changed the verdict.
	s.settle(arrival)
	v := s.judge(arrival, c)
	s.state.Counts.add(v)
	return v
}

func (s *Settler) judge(arrival time.Time, c signal.Chunk) Verdict {
	if len(c.Values) == 0 {
		return Duplicate
	}
	ch := s.state.channel(c.Channel)
	switch jump := s.jump(ch, c, arrival); {
	case jump == noJump:
		ch.Run = run{}
	case ch.Run.extend(jump, c.End(), arrival):
		s.beginEpoch(ch, jump)
	case jump == jumpAhead:
		return Clock
	default:
		// Older data may still fill a gap, so it is judged like any other below.
	}
	if ch.Released && firstNew(c, ch.Last) == len(c.Values) {
		if slices.ContainsFunc(ch.Recent, c.Start.Equal) {
			return Duplicate
		}
		return Late
	}
	i, twin := s.place(c)
	if twin != nil {
		if c.Step != 0 || twin.Step != 0 || twin.Values[0] == c.Values[0] {
			return Duplicate
		}
		twin.Values[0] = c.Values[0] // the later word of a sensor about one moment counts
		return Replaced
	}
	s.insert(i, c)
	s.state.observe(ch, c.End(), arrival)
	for s.held > s.limit {
		s.state.Counts.Early++
		s.release()
	}
	return Accepted
}

// place finds where a chunk belongs among the pending ones, and the pending one of the same channel and
// start that already holds all that c brings.
func (s *Settler) place(c signal.Chunk) (index int, twin *signal.Chunk) {
	i, _ := slices.BinarySearchFunc(s.state.Pending, c, compare)
	for ; i < len(s.state.Pending) && compare(s.state.Pending[i], c) == 0; i++ {
		if p := &s.state.Pending[i]; !c.End().After(p.End()) {
			return i, p
		}
	}
	return i, nil
}

// compare orders chunks by start and then by channel.
func compare(a, b signal.Chunk) int {
	if n := a.Start.Compare(b.Start); n != 0 {
		return n
	}
	return int(a.Channel) - int(b.Channel)
}

func (s *Settler) insert(i int, c signal.Chunk) {
	c.Values = append(s.buffer(len(c.Values)), c.Values...)
	s.held += len(c.Values)
	s.state.Pending = slices.Insert(s.state.Pending, i, c)
}

// Advance hands out what is due at wall-clock time now, in order of start and channel: a chunk is due when
// the data time expected now has passed its end by Window, and all before it are due. The chunks and their
// values are valid until the next Advance.
func (s *Settler) Advance(now time.Time) []signal.Chunk {
	for _, c := range s.out {
		s.recycle(c.Values)
	}
	s.settle(now)
	s.out = append(s.out[:0], s.state.Ready...)
	clear(s.state.Ready)
	s.state.Ready = s.state.Ready[:0]
	return s.out
}

// Watermark is the data time before which nothing is held back any more, once the last Advance's chunks have
// been pushed; zero before the first data. It goes back only where a clock did (Counts.ClockBack). A chunk
// that a gateway stored for long may still come with an older time.
func (s *Settler) Watermark() time.Time { return s.state.Mark }

// Counts is what became of all that was offered.
func (s *Settler) Counts() Counts { return s.state.Counts }

// settle moves what is due to Ready and the watermark to where that leads.
func (s *Settler) settle(now time.Time) {
	if s.state.Newest.IsZero() {
		return
	}
	mark := s.state.expected(now).Add(-Window)
	for len(s.state.Pending) > 0 && !s.state.Pending[0].End().After(mark) {
		s.release()
	}
	if len(s.state.Pending) > 0 && s.state.Pending[0].Start.Before(mark) {
		mark = s.state.Pending[0].Start
	}
	if mark.After(s.state.Mark) {
		s.state.Mark = mark
	}
}

// release moves the first pending chunk to Ready, less what its channel has already told.
func (s *Settler) release() {
	c := s.state.Pending[0]
	s.state.Pending = slices.Delete(s.state.Pending, 0, 1)
	s.held -= len(c.Values)
	ch := s.state.channel(c.Channel)
	old := 0
	if ch.Released {
		old = firstNew(c, ch.Last)
	}
	if old == len(c.Values) {
		s.state.Counts.Covered++
		s.recycle(c.Values)
		return
	}
	ch.remember(c.Start)
	s.state.Counts.Trimmed += int64(old)
	c.Start = c.Start.Add(time.Duration(old) * c.Step)
	// The values move, not the slice: the buffer keeps its whole length for the next chunk.
	c.Values = c.Values[:copy(c.Values, c.Values[old:])]
	ch.Last, ch.Released = c.Start.Add(time.Duration(len(c.Values)-1)*c.Step), true
	s.state.Ready = append(s.state.Ready, c)
}

// firstNew is the index of the first sample of c that lies after last; len(c.Values) where none does. Half
// a step is forgiven, because the times of successive chunks jitter.
func firstNew(c signal.Chunk, last time.Time) int {
	behind := last.Sub(c.Start) + c.Step/2
	switch {
	case behind < 0:
		return 0
	case c.Step == 0:
		return len(c.Values)
	}
	return int(min(int64(behind/c.Step)+1, int64(len(c.Values))))
}

// beginEpoch forgets a channel's times after its clock jumped for good. All that is pending goes out first:
// its times cannot be ordered against the new ones.
func (s *Settler) beginEpoch(ch *channelState, jump jump) {
	for len(s.state.Pending) > 0 {
		s.release()
	}
	if jump == jumpAhead {
		s.state.Counts.ClockAhead++
	} else {
		s.state.Counts.ClockBack++
	}
	s.state.forget(ch)
}

// buffer is an empty slice with room for n values, a used one where possible.
func (s *Settler) buffer(n int) []float64 {
	for i, b := range slices.Backward(s.free) {
		if cap(b) >= n {
			s.free = slices.Delete(s.free, i, i+1)
			return b[:0]
		}
	}
	return make([]float64, 0, n)
}

// recycle keeps a buffer for later, unless it is one of the rare large ones.
func (s *Settler) recycle(b []float64) {
	const most, largest = 64, 1 << 12
	if len(s.free) < most && cap(b) <= largest {
		s.free = append(s.free, b)
	}
}
