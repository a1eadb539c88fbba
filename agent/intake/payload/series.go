package payload

import (
	"time"

	"diastole/detect/signal"
)

// add appends a sample of its own. The samples of a series are added first, then gathered.
func (s *Samples) add(at time.Time, v float64) {
	s.values = append(s.values, v)
	s.chunks = append(s.chunks, chunkAt(at))
}

// begin drops what was decoded before.
func (s *Samples) begin() { s.chunks, s.values = s.chunks[:0], s.values[:0] }

// evenBy is how far, in parts of the spacing, a sample may lie from where an even spacing puts it: a time in whole
// milliseconds at 100 Hz is half of one off.
const evenBy = 0.1

// longestGathered is the longest spacing of samples that are made one waveform, those of a historian's burst; slower
// ones are readings, each with its own time.
const longestGathered = 250 * time.Millisecond

// gather makes waveforms of samples that follow each other evenly; readings that do not stay alone, as do chunks that have
// their values already, and the closings of a switch, which follow each other as evenly as the pump runs. It ends a
// series of add.
func (s *Samples) gather(c signal.Channel) {
	out := s.chunks[:0]
	at := 0 // in values
	for i := 0; i < len(s.chunks); {
		if x := s.chunks[i]; x.Values != nil {
			out = append(out, x)
			at += len(x.Values)
			i++
			continue
		}
		start, n := s.chunks[i].Start, 1
		if c != signal.StrokeEdge {
			n = s.even(i)
		}
		step := time.Duration(0)
		if n > 1 {
			step = s.chunks[i+n-1].Start.Sub(start) / time.Duration(n-1)
		}
		x := chunkAt(start)
		x.Step, x.Values = step, s.values[at:at+n:at+n]
		out = append(out, x)
		at += n
		i += n
	}
	s.chunks = out
}

// even counts the samples from i on that follow each other evenly: 1, or at least 3.
func (s *Samples) even(i int) int {
	if i+2 >= len(s.chunks) || s.chunks[i+1].Values != nil {
		return 1
	}
	start := s.chunks[i].Start
	step := s.chunks[i+1].Start.Sub(start)
	if step < shortestStep || step > longestGathered {
		return 1
	}
	n := 2
	for ; i+n < len(s.chunks) && s.chunks[i+n].Values == nil; n++ {
		// The spacing so far, not the first one: a rounded time at the beginning must not add up.
		mean := float64(s.chunks[i+n-1].Start.Sub(start)) / float64(n-1)
		off := float64(s.chunks[i+n].Start.Sub(s.chunks[i+n-1].Start)) - mean
		if off > 2*evenBy*mean || off < -2*evenBy*mean {
			break
		}
	}
	if n < 3 {
		return 1
	}
	return n
}
