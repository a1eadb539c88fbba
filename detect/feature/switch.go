package feature

import (
	"math"
	"slices"

	"diastole/detect/signal"
)

// contact is the switch that closes once a stroke or once a cycle: its times are exact, but it can miss and bounce.
type contact struct {
	// T are the closings that are still needed, ns.
	T []int64
	// Total counts the closings, where they stand in for a counter that the pump lacks.
	Total float64
	// Lead is how much earlier than the waveform the switch usually tells of a changeover, ns, the mean of Leads changeovers.
	Lead  float64
	Leads int
	// Number is that of the last stroke made of closings alone.
	Number int32
}

// bounce is how soon after a closing another one is no stroke but the contact's bounce: of the shortest stroke.
const bounce = 0.5

// closed notes that the switch closed at a time.
func (b *Builder) closed(t int64) {
	s := &b.st.Switch
	if n := len(s.T); n > 0 && float64(t-s.T[n-1]) < bounce*1e9*minStroke(b.set.MaxStrokeRate) {
		return
	}
	s.T = append(s.T, t)
	if !b.set.Channels[signal.StrokeCount] {
		s.Total++
		b.st.Counter = append(b.st.Counter, reading{T: t, V: s.Total})
	}
}

// perCycle tells whether what counts the strokes counts cycles.
func (b *Builder) perCycle() bool {
	if b.set.Channels[signal.StrokeCount] {
		return b.set.CounterPerCycle
	}
	return b.set.EdgePerCycle
}

// switched puts the closings of a switch that closes once a stroke in the place of edges from the waveform, which begin after the
// last settled one and of which the first are settled; end is the end of the data. An edge that no closing is near stays: the
// switch has missed it. Where the waveform leaves no doubt and the switch closes more often, the switch is wrong. Closings are
// moved by their usual lead, so that the two can follow each other.
func (b *Builder) switched(edges []edge, settled int, end int64, final bool) ([]edge, int) {
	s := &b.st.Switch
	if b.set.EdgePerCycle || len(s.T) == 0 {
		return edges, settled
	}
	b.lead(edges)
	r := &b.decoder.Rhythm
	apart := int64(0.4e9 * min(r.Period[0], r.Period[1]))
	from, side := b.st.Running.From, uint8(1)
	if n := len(b.st.Stretch.Edges); n > 0 {
		from, side = b.st.Stretch.Edges[n-1].T+max(apart, int64(0.5e9*minStroke(b.set.MaxStrokeRate))), b.st.Stretch.Edges[n-1].Side
	}
	all := b.scratch.closings[:0]
	for _, t := range s.T {
		if t += int64(s.Lead); t < from || t >= end {
			continue
		}
		e := edge{T: t, Depth: math.NaN(), Width: math.NaN()}
		if k := nearestEdge(edges, t); k >= 0 {
			e.Depth, e.Width = edges[k].Depth, edges[k].Width
		}
		all = append(all, e)
	}
	b.scratch.closings = all
	closings := len(all)
	if closings == 0 || b.decoder.Sure() && closings > len(edges)+1 {
		return edges, settled
	}
	for _, e := range edges {
		k, _ := slices.BinarySearchFunc(all[:closings], e.T, edgeAt)
		if e.T >= from && (k == 0 || e.T-all[k-1].T > apart) && (k == closings || all[k].T-e.T > apart) {
			all = append(all, e)
		}
	}
	slices.SortStableFunc(all, func(x, y edge) int { return edgeAt(x, y.T) })
	b.scratch.closings = all
	limit := end
	if !final {
		limit = end - switchHorizon
	}
	done := 0
	for i := range all {
		side = 1 - side
		all[i].Side = side
		if all[i].T < limit {
			done++
		}
	}
	return all, done
}

// edgeAt compares the time of an edge with another.
func edgeAt(e edge, t int64) int { return int(max(min(e.T-t, 1), -1)) }

// switchHorizon is how long a closing is awaited in the data, with the dip that belongs to it, ns.
const switchHorizon = second

// sameEdge is how far a closing and a dip may lie apart to be one changeover, ns.
const sameEdge = second / 10

// nearestEdge is the number of the edge within sameEdge of a time, -1 where there is none.
func nearestEdge(edges []edge, t int64) int {
	k, _ := slices.BinarySearchFunc(edges, t, edgeAt)
	best := -1
	for _, i := range []int{k - 1, k} {
		if i >= 0 && i < len(edges) && max(edges[i].T-t, t-edges[i].T) <= sameEdge {
			if best < 0 || max(edges[i].T-t, t-edges[i].T) < max(edges[best].T-t, t-edges[best].T) {
				best = i
			}
		}
	}
	return best
}

// manyLeads is over how many changeovers the lead is averaged.
const manyLeads = 200

// lead learns how much later than the switch the waveform shows a changeover.
func (b *Builder) lead(edges []edge) {
	s := &b.st.Switch
	for _, e := range edges {
		k, _ := slices.BinarySearch(s.T, e.T-int64(s.Lead)-sameEdge)
		best := sameEdge + 1
		for ; k < len(s.T) && s.T[k] <= e.T-int64(s.Lead)+sameEdge; k++ {
			if d := e.T - s.T[k]; max(d-int64(s.Lead), int64(s.Lead)-d) < max(best-int64(s.Lead), int64(s.Lead)-best) {
				best = d
			}
		}
		if best > sameEdge {
			continue
		}
		s.Leads = min(s.Leads+1, manyLeads)
		s.Lead += (float64(best) - s.Lead) / float64(s.Leads)
	}
}

// switchStrokes records the strokes between the closings of [from, to) where no waveform comes: times, and nothing else.
func (b *Builder) switchStrokes(from, to int64) {
	s := &b.st.Switch
	nan := float32(math.NaN())
	for i, t := range s.T {
		if t < from || t >= to {
			continue
		}
		if i == 0 || b.set.EdgePerCycle || t-s.T[i-1] > patience || s.T[i-1] < b.st.Running.From {
			b.st.Stretch.ID++
			s.Number = 0
			continue
		}
		s.Number++
		r := record{
			End: t, Dur: float64(t-s.T[i-1]) / 1e9, Depth: nan, Width: nan, Swing: nan, Dwell: nan, Inlet: nan, Discharge: nan,
			Stretch: int32(b.st.Stretch.ID), Number: s.Number,
		}
		if b.st.Running.Gate > 0 {
			b.st.Running.Gate--
			r.Gated = true
		}
		b.st.Epoch.Strokes = append(b.st.Epoch.Strokes, r)
	}
}

// trimSwitch forgets the closings that nothing will ask for any more.
func (b *Builder) trimSwitch(t int64) {
	s := &b.st.Switch
	n := 0
	for n+1 < len(s.T) && s.T[n+1] < t {
		n++
	}
	s.T = s.T[:copy(s.T, s.T[n:])]
}
