package sensor

import (
	"math"
	"time"

	"diastole/detect/signal"
)

const (
	// sliceLength is the length of the slices of data time, ns, that are kept apart until an epoch is over: a whole number of them
	// lies within most epochs, whatever they were cut into when they came.
	sliceLength = int64(time.Second)
	// mostSlices bounds those of a channel: an epoch is little more than a minute, and what belongs to none is forgotten.
	mostSlices = 100
	// waveformStep is the longest time between the samples of a waveform, ns.
	waveformStep = int64(50 * time.Millisecond)
)

// watched are the channels whose values are looked at, sample by sample.
var watched = [...]signal.Channel{signal.AirInletPressure, signal.DischargePressure, signal.AirFlow}

// slice is what one channel told in a second.
type slice struct {
	// Index is the second since 1970.
	Index int64
	N     int32
	// Step is the time between samples, ns; 0 of single readings.
	Step          int64
	Sum, Min, Max float64
	// Equal of Pairs values in a row were the same; Top is how many were the largest one, TopPairs how many of those in a row.
	Equal, Pairs, Top, TopPairs int32
	// Jut is by how much one sample stuck out beyond both of its neighbours at most.
	Jut float64
}

// channel is what is kept of one channel.
type channel struct {
	Slices []slice
	// Before and Last are the last values but one and the last, Run how many samples before the next are without a gap, at most 2.
	Before, Last float64
	Run          int
	End          int64
	Step         int64
	// Back is by how much the times of the channel went back at most since the last epoch, ns.
	Back int64
	// Changed is when the value was last another than the one before.
	Changed int64
	// Same of Twins values in a row were the same in the sound epochs of running so far, which were Epochs, with Pace samples a
	// second.
	Same, Twins, Pace float64
	Epochs            int
}

// Watch follows the sensors of one pump. Its work per sample is constant, and allocates nothing once it is warm. All its fields are
// its state, to be stored.
type Watch struct {
	Channels [len(watched)]channel
	// Counter is the stroke counter: its newest time, by how much that went back, its value, when that last rose, how often it
	// has fallen since the last epoch, and for how many epochs in a row it has told another number of strokes than the waveform.
	Counter struct {
		End, Back, Moved int64
		Value            float64
		Falls, Odd       int
	}
	// Shut is since when the air valve is known to be closed, ns; 0 where it is open or not known.
	Shut int64
}

func place(c signal.Channel) int {
	for i, w := range watched {
		if w == c {
			return i
		}
	}
	return -1
}

// Push takes a chunk, in the order in which they settle.
func (w *Watch) Push(c signal.Chunk) {
	if len(c.Values) == 0 {
		return
	}
	start, newest := c.Start.UnixNano(), c.Values[len(c.Values)-1]
	switch c.Channel {
	case signal.StrokeCount:
		k := &w.Counter
		if k.End > 0 {
			k.Back = max(k.Back, k.End-start)
			switch {
			case newest > k.Value:
				k.Moved = start
			case newest < k.Value/2: // a smaller fall is an older total that came late
				k.Falls++
			}
		}
		k.End, k.Value = start+int64(len(c.Values)-1)*int64(c.Step), newest
	case signal.AirValveOpen:
		if newest >= 0.5 {
			w.Shut = 0
		} else if w.Shut == 0 {
			w.Shut = start
		}
	default:
		if i := place(c.Channel); i >= 0 {
			w.Channels[i].push(start, int64(c.Step), c.Values)
		}
	}
}

// Contradicts reports whether the counter has gone on since a time, while a pressure shows one and the same value: what the pressures
// say of the pump is then not to be believed.
func (w *Watch) Contradicts(since time.Time) bool {
	const still = 3 * int64(time.Second)
	if w.Counter.Moved <= since.UnixNano()+int64(time.Second) {
		return false
	}
	for _, c := range []signal.Channel{signal.AirInletPressure, signal.DischargePressure} {
		if ch := &w.Channels[place(c)]; ch.End > 0 && ch.End-ch.Changed >= still {
			return true
		}
	}
	return false
}

func (ch *channel) push(start, step int64, values []float64) {
	if back := ch.End - start; ch.End > 0 && back > step/2 {
		ch.Back = max(ch.Back, back)
		ch.Run = 0
	}
	if gap := start - ch.End; step == 0 || step > waveformStep || step != ch.Step || gap > step/2 {
		ch.Run = min(ch.Run, 1)
		if gap > 10*int64(time.Second) {
			ch.Run = 0
		}
	}
	ch.Step = step
	var s *slice
	for i, v := range values {
		t := start + int64(i)*step
		if index := t / sliceLength; s == nil || s.Index != index {
			s = ch.slice(index)
			s.Step = step
		}
		s.add(v)
		if v != ch.Last || ch.End == 0 && i == 0 {
			ch.Changed = t
		}
		if ch.Run > 0 {
			s.pair(ch.Last, v)
		}
		if ch.Run == 2 && step > 0 && step <= waveformStep {
			// The one in the middle: by how much it sticks out beyond the nearer neighbour, if on the same side of both.
			up, down := ch.Last-max(ch.Before, v), min(ch.Before, v)-ch.Last
			s.Jut = max(s.Jut, up, down)
		}
		ch.Before, ch.Last = ch.Last, v
		ch.Run = min(ch.Run+1, 2)
	}
	ch.End = start + int64(len(values))*step
}

// slice is the slice with an index, a new one where it is not the newest.
func (ch *channel) slice(index int64) *slice {
	if n := len(ch.Slices); n > 0 && ch.Slices[n-1].Index == index {
		return &ch.Slices[n-1]
	}
	if len(ch.Slices) == mostSlices {
		ch.Slices = ch.Slices[:copy(ch.Slices, ch.Slices[1:])]
	}
	ch.Slices = append(ch.Slices, slice{Index: index, Min: math.Inf(1), Max: math.Inf(-1)})
	return &ch.Slices[len(ch.Slices)-1]
}

func (s *slice) add(v float64) {
	s.N++
	s.Sum += v
	s.Min = min(s.Min, v)
	switch {
	case v > s.Max:
		s.Max, s.Top, s.TopPairs = v, 1, 0
	case v == s.Max:
		s.Top++
	}
}

func (s *slice) pair(before, v float64) {
	s.Pairs++
	if before == v {
		s.Equal++
		if v == s.Max {
			s.TopPairs++
		}
	}
}

// total puts the slices of [from, to) together: those of which the middle lies within.
func (ch *channel) total(from, to int64) (sum slice, seconds int) {
	sum.Min, sum.Max = math.Inf(1), math.Inf(-1)
	for i := range ch.Slices {
		s := &ch.Slices[i]
		if mid := s.Index*sliceLength + sliceLength/2; mid < from || mid >= to {
			continue
		}
		seconds++
		sum.N += s.N
		sum.Sum += s.Sum
		sum.Step = max(sum.Step, s.Step)
		sum.Min = min(sum.Min, s.Min)
		sum.Equal += s.Equal
		sum.Pairs += s.Pairs
		sum.Jut = max(sum.Jut, s.Jut)
		switch {
		case s.Max > sum.Max:
			sum.Max, sum.Top, sum.TopPairs = s.Max, s.Top, s.TopPairs
		case s.Max == sum.Max:
			sum.Top += s.Top
			sum.TopPairs += s.TopPairs
		}
	}
	return sum, seconds
}

// forget drops the slices before a time, and what was noted for the epoch that ended there.
func (ch *channel) forget(to int64) {
	n := 0
	for n < len(ch.Slices) && ch.Slices[n].Index*sliceLength+sliceLength/2 < to {
		n++
	}
	ch.Slices = ch.Slices[:copy(ch.Slices, ch.Slices[n:])]
	ch.Back = 0
}

func (s *slice) mean() float64 { return s.Sum / float64(s.N) }
