package feature

import (
	"math"
	"time"
)

// Below offPressure no pump of the trade starts: sheets ask for 1.4 bar (common practice), and the smallest
// creep along from about 0.35 bar.
const offPressure = 0.35e5

// A pump that stands against a closed valve holds about the air pressure at its discharge: 0.2 bar less
// to 0.15 bar more, by trapped surge and elevation (common practice). Half a bar less is no dead-head any more.
const (
	stallBand = 0.35e5
	notStall  = 0.5e5
)

// gatedStrokes are the strokes after a true stop that are left out: five cycles in which the chambers fill and
// the air is driven out.
const gatedStrokes = 10

// patience is how long a pump may make no stroke before it is said to stand still: longer than a slow stroke, and than
// most hesitations of a sticking valve, and short enough to tell within ten seconds.
const patience = 6 * second

// running is what the pump does.
type running struct {
	State State
	Since int64
	// First, Previous and Newest are edges: the first since the pump last stood still, the last but one,
	// and the last one. Zero where there is none.
	First, Previous, Newest int64
	// From is the start of the data that is looked at without a longer gap.
	From int64
	// Inlet, Discharge and Swing are of the newest stretch of data, Pa; NaN where a channel lacks.
	Inlet, Discharge, Swing float64
	// UsualRate and UsualInlet are those of ordinary running, 1/s and Pa.
	UsualRate, UsualInlet float64
	// UsualDischarge and UsualSwing are those of ordinary running too, Pa; zero where they are not known.
	UsualDischarge, UsualSwing float64
	// Blind is set while neither a waveform nor a counter could show strokes.
	Blind bool
	// DryHops counts the looks in a row that found the pump dry.
	DryHops int
	// WetHops counts those in a row that did not, while it is said to be dry.
	WetHops int
	// UsualHops is how many looks, at most usualHops, these come from.
	UsualHops int
	// Gate is how many strokes are still to be left out, GateEnd the end of the last one that was.
	Gate    int
	GateEnd int64
}

// start notes that a burst begins. What the pump did in the one before says nothing of its strokes now.
func (r *running) start(t int64) {
	r.From, r.First, r.Previous, r.Newest, r.DryHops = t, 0, 0, 0, 0
}

// pressures notes the pressures of the newest stretch of data, unless it is too short to tell.
func (b *Builder) pressures(from, to int64) {
	if to-from < second/2 {
		return
	}
	r := &b.st.Running
	r.Inlet = float64(mean(&b.st.Inlet, from, to))
	r.Discharge = float64(mean(&b.st.Discharge, from, to))
	if math.IsNaN(r.Inlet) {
		r.Inlet = newest(b.st.Slow.Inlet, to)
	}
	if math.IsNaN(r.Discharge) {
		r.Discharge = newest(b.st.Slow.Discharge, to)
	}
	r.Swing = math.NaN()
	if s := b.st.Discharge.span(from, to); s != nil {
		x := s.Buf[s.index(from):s.index(to)]
		n := max(1, int(20*second/1000/s.Step))
		r.Swing = float64(swing(x, n))
	}
}

// saw notes the edges of a window that are newer than all before.
func (r *running) saw(edges []edge) {
	for _, e := range edges {
		if e.T <= r.Newest+second/100 {
			continue
		}
		if r.First == 0 {
			r.First = e.T
		}
		r.Previous, r.Newest = r.Newest, e.T
	}
}

// judge decides what the pump does at a time; last tells that the burst ends here.
func (b *Builder) judge(now int64, last bool) {
	r := &b.st.Running
	still := max(r.lastStroke(), r.From)
	quiet := now - still
	switch {
	case quiet < patience && r.Previous > 0 && now-r.Previous < 2*patience:
		b.judgeDry(now)
	case r.Inlet < offPressure && quiet >= second:
		b.change(Off, now, still)
	case quiet >= patience || last && r.State == Unknown && quiet >= 2*second:
		b.change(b.standing(), now, still)
	}
}

// standing names the state of a pump that has air and makes no strokes.
func (b *Builder) standing() State {
	r := &b.st.Running
	switch below := r.Inlet - r.Discharge/b.ratio(); {
	case math.IsNaN(below) || r.Blind:
		return Unknown
	case below <= stallBand, r.rose():
		return Stalled
	case below >= notStall:
		return NotStroking
	case r.State == Stalled || r.State == NotStroking:
		return r.State
	default:
		return Unknown
	}
}

// ratio is by how much the liquid pressure of a stepped pump may lie above its air pressure.
func (b *Builder) ratio() float64 {
	if b.set.PressureRatio > 0 {
		return b.set.PressureRatio
	}
	return 1
}

// judgeDry tells running dry from running: the discharge has lost its pressure and its ripple, and the
// pump races, against its own habit or close to the limit of its size.
func (b *Builder) judgeDry(now int64) {
	r := &b.st.Running
	rate := 2 / (b.decoder.Rhythm.Period[0] + b.decoder.Rhythm.Period[1])
	flat := r.Discharge < 0.1*r.Inlet && r.Swing < 0.1*r.Inlet
	races := b.set.MaxStrokeRate > 0 && rate > 0.8*b.set.MaxStrokeRate ||
		r.UsualRate > 0 && rate > 1.7*r.UsualRate && r.Inlet < 1.1*r.UsualInlet
	if flat && races || r.displacesGas(rate) {
		r.DryHops++
		r.WetHops = 0
		if r.DryHops >= 2 {
			b.change(Dry, now, max(now-int64(r.DryHops)*hop, r.Since))
		}
		return
	}
	r.DryHops = 0
	since := r.First
	if r.State == Dry {
		if r.WetHops++; r.WetHops < 2 {
			return
		}
		since = now - 2*hop
	}
	r.WetHops = 0
	b.runs(now, since)
	if r.State == Running {
		r.learnUsual(rate)
	}
}

// learnUsual follows what is usual while running.
func (r *running) learnUsual(rate float64) {
	if math.IsNaN(r.Inlet) || math.IsInf(rate, 0) {
		return
	}
	// The mean of the first looks, then a slow follower: the very first look at a pump may be wrong about its rhythm.
	r.UsualHops = min(r.UsualHops+1, usualHops)
	share := 1 / float64(r.UsualHops)
	for _, u := range []struct {
		usual *float64
		now   float64
	}{{&r.UsualRate, rate}, {&r.UsualInlet, r.Inlet}, {&r.UsualDischarge, r.Discharge}, {&r.UsualSwing, r.Swing}} {
		if !math.IsNaN(u.now) {
			*u.usual += share * (u.now - *u.usual)
		}
	}
}

// change makes a state the present one, since a time in the past, and cuts the epoch there.
func (b *Builder) change(s State, now, since int64) {
	r := &b.st.Running
	if s != Running && s != Dry && s != Starting {
		r.First = 0
	}
	if s == r.State {
		return
	}
	since = max(since, r.Since)
	r.State, r.Since = s, since
	b.transitions = append(b.transitions, Transition{Time: time.Unix(0, now).UTC(), State: s, Since: time.Unix(0, since).UTC()})
	b.cutEpoch(s, since)
}

// gateRecorded gates the strokes that were recorded before it was plain that the pump had started.
func (b *Builder) gateRecorded(since int64) {
	for i := range b.st.Epoch.Strokes {
		s := &b.st.Epoch.Strokes[i]
		if s.End >= since && b.st.Running.Gate > 0 {
			s.Gated = true
			b.st.Running.Gate--
			b.st.Running.GateEnd = s.End
			b.st.Epoch.Cycles = b.st.Epoch.Cycles[:0]
		}
	}
}
