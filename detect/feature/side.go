package feature

import "math"

// sideMemory is for how long a reading of the side signal is kept between bursts: one that comes on change stands until the
// next.
const sideMemory = 10 * second

// How sure one look at the side signal is of the stroke that it falls into: its time is that of a controller's cycle.
const sideTrust = 0.75

// earlySide is the share of a stroke by which the side signal may come before the changeover that the waveform shows.
const earlySide = 0.15

// sideVotes is the sum over the strokes of a run of the log odds that the side signal is 1 in the first, the third and so on, and not
// in the others.
func (b *Builder) sideVotes(strokes []record) float64 {
	var votes float64
	k := 0
	for i := range strokes {
		s := &strokes[i]
		half := int64(s.Dur * 0.5e9)
		middle := s.End - half
		for k < len(b.st.Side) && b.st.Side[k].T <= middle {
			k++
		}
		if k == 0 || b.st.Side[k-1].T < s.End-2*half-int64(earlySide*s.Dur*1e9) {
			continue
		}
		if (b.st.Side[k-1].V >= 0.5) == (i%2 == 0) {
			votes++
		} else {
			votes--
		}
	}
	return votes * math.Log(sideTrust/(1-sideTrust))
}

// switchVotes is the like of a switch that closes once a cycle: it closes at the end of a stroke of side A.
func (b *Builder) switchVotes(strokes []record) float64 {
	if !b.set.EdgePerCycle {
		return 0
	}
	var votes float64
	k := 0
	for _, t := range b.st.Switch.T {
		for k < len(strokes) && strokes[k].End < t-int64(strokes[k].Dur*0.5e9) {
			k++
		}
		if k == len(strokes) {
			break
		}
		if d := strokes[k].End - t; math.Abs(float64(d)) > strokes[k].Dur*0.4e9 {
			continue
		}
		if k%2 == 0 {
			votes++
		} else {
			votes--
		}
	}
	return votes * math.Log(sideTrust/(1-sideTrust))
}

// likely is the probability of log odds.
func likely(odds float64) float64 { return 1 / (1 + math.Exp(-odds)) }
