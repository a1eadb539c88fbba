package feature

import (
	"time"

	"diastole/detect/signal"
	"diastole/detect/stroke"
)

// Settings is what a Builder must know of its pump.
type Settings struct {
	// Channels tells which channels the pump has.
	Channels [signal.NumChannels]bool
	// CounterPerCycle is true where the counter counts cycles (two strokes each) and not strokes.
	CounterPerCycle bool
	// EdgePerCycle is true where the stroke edge comes once a cycle and not once a stroke.
	EdgePerCycle bool
	// WrapsAt is the total at which the counter starts again from zero; 0 where it does not wrap.
	WrapsAt float64
	// MaxStrokeRate is the free-flow stroke rate of the pump's size, 1/s: twice the cycle rate. Zero
	// means unknown.
	MaxStrokeRate float64
	// StrokeVolume is the liquid that a stroke displaces, m3, and StrokeVolumeSpread its relative standard uncertainty; zero means
	// unknown.
	StrokeVolume, StrokeVolumeSpread float64
	// Supply is the air supply path.
	Supply SupplyPath
	// PressureRatio is the liquid pressure over the air pressure that the pump's build gives; 0 and 1 are the same.
	PressureRatio float64
}

// Transition is a change of what the pump does.
type Transition struct {
	// Time is the time of the data that showed the change.
	Time time.Time
	// State is what the pump does now, Since the time from which it has.
	State State
	Since time.Time
}

// The lengths that cut time, in nanoseconds.
const (
	second = int64(time.Second)
	// hop is how much new waveform is looked at together.
	hop = 3 * second
	// epochLength is the running time after which an epoch is finished.
	epochLength = 60 * second
	// burstGap is how long nothing must arrive for a burst to be over.
	burstGap = 10 * second
)

// Builder makes epochs from the samples of one pump. Its results depend on the samples and on their
// times alone: neither on how they were cut into chunks nor on when Advance was called.
type Builder struct {
	set     Settings
	st      state
	decoder stroke.Decoder

	epochs      []Epoch
	transitions []Transition
	scratch     scratch
}

// state is all that a Builder remembers of the data; it is what a snapshot holds. Times are
// nanoseconds since 1970.
type state struct {
	Inlet, Discharge wave
	Slow             slow
	Flow, Counter    []reading
	// Liquid is the liquid flow, m3/s, Supply the pressure before the supply path, Pa gauge.
	Liquid, Supply []reading
	// Stall is what was seen of the last stall.
	Stall stall
	// Side are the readings of the side signal.
	Side   []reading
	Switch contact
	// ByDischarge is set while the discharge times the strokes, because the inlet gives no waveform.
	ByDischarge bool
	// Settled is the time before which every sample has come.
	Settled int64
	// Now is the time up to which the waveforms have been looked at.
	Now int64
	// LastData is the end of the newest sample that has been looked at in any channel, Begun whether a burst
	// is under way.
	LastData int64
	Begun    bool
	// FastEnd is the end of the newest waveform of the primary channel, 0 before there was one.
	FastEnd int64

	Stretch stretch
	Running running
	Epoch   building
	Latency latency
	// LastReading is the last counter reading of the finished epochs.
	LastReading reading
	HasReading  bool
	// PrimaryStep is the spacing of the newest primary waveform, KeptCycle when a mean cycle was last kept.
	PrimaryStep, KeptCycle int64
}

// reading is one counter reading, in strokes or cycles as it came.
type reading struct {
	T int64
	V float64
}

// NewBuilder returns a Builder that has seen nothing.
func NewBuilder(s Settings) *Builder {
	b := &Builder{set: s}
	b.st.Latency = newLatency()
	b.st.Running.State = Unknown
	return b
}

// Push adds a chunk. Chunks of all channels come in the order of their start times, ties in the order of
// channels, without duplicates. Gaps are normal.
func (b *Builder) Push(c signal.Chunk) {
	if len(c.Values) == 0 {
		return
	}
	start := c.Start.UnixNano()
	b.settle(start)
	st := &b.st
	switch {
	case c.Channel == signal.StrokeCount:
		st.Counter = appendReadings(st.Counter, c)
	case c.Channel == signal.StrokeEdge:
		b.closed(start)
	case c.Channel == signal.SideSignal:
		st.Side = appendReadings(st.Side, c)
	case c.Channel == signal.AirFlow:
		st.Flow = appendReadings(st.Flow, c)
	case c.Channel == signal.LiquidFlow:
		st.Liquid = appendReadings(st.Liquid, c)
	case c.Channel == signal.AirSupplyPressure:
		st.Supply = appendReadings(st.Supply, c)
	case c.Channel == signal.AirInletPressure && isSlow(c):
		st.Slow.Inlet = appendReadings(st.Slow.Inlet, c)
	case c.Channel == signal.DischargePressure && isSlow(c):
		st.Slow.Discharge = appendReadings(st.Slow.Discharge, c)
	case c.Channel == signal.AirInletPressure:
		st.Inlet.push(start, int64(c.Step), c.Values)
	case c.Channel == signal.DischargePressure:
		st.Discharge.push(start, int64(c.Step), c.Values)
	}
}

// Advance tells that nothing before the watermark will come any more. Advance(t1) followed by
// Advance(t2) does what Advance(t2) does alone.
func (b *Builder) Advance(watermark time.Time) { b.settle(watermark.UnixNano()) }

// Take returns the epochs and transitions that were finished since the last Take, each in order of time.
func (b *Builder) Take() ([]Epoch, []Transition) {
	e, t := b.epochs, b.transitions
	b.epochs, b.transitions = nil, nil
	return e, t
}

// primary is the channel that times the strokes: the inlet, whose dips are sharper, where it gives a waveform.
func (b *Builder) primary() *wave {
	if b.st.ByDischarge {
		return &b.st.Discharge
	}
	return &b.st.Inlet
}

// choose decides which channel times the strokes of the stretch to come, and reports false where that is not known at
// a time: the discharge has begun, and the inlet may yet.
func (b *Builder) choose(to int64) bool {
	in, out := b.st.Inlet.Segments, b.st.Discharge.Segments
	switch {
	case b.st.Stretch.Seen > 0:
	case len(out) == 0:
		b.st.ByDischarge = false
	case !b.set.Channels[signal.AirInletPressure]:
		b.st.ByDischarge = true
	case len(in) > 0 && in[0].T0 < out[0].T0+2*hop:
		b.st.ByDischarge = false
	case to < out[0].T0+2*hop:
		return false
	default:
		b.st.ByDischarge = true
	}
	return true
}

// secondary is the other pressure.
func (b *Builder) secondary() *wave {
	if b.primary() == &b.st.Inlet {
		return &b.st.Discharge
	}
	return &b.st.Inlet
}

// settle does, in the order of data time, all that can be done once everything before a time has come.
func (b *Builder) settle(to int64) {
	if to <= b.st.Settled {
		return
	}
	b.st.Settled = to
	for b.step(to) {
	}
}

// step does the earliest thing that is due before or at a time, and reports whether there was one.
func (b *Builder) step(to int64) bool {
	if !b.choose(to) {
		return b.slowStep(min(to, b.st.Discharge.Segments[0].T0))
	}
	p := b.primary()
	if len(p.Segments) == 0 {
		if b.slowStep(to) {
			return true
		}
		b.trim(to)
		return false
	}
	if b.st.Slow.Active {
		b.closeBurst()
		return true
	}
	seg := &p.Segments[0]
	if b.endBurst(min(to, seg.T0)) {
		return true
	}
	ended := len(p.Segments) > 1 || to > seg.end()+seg.Step+seg.Step/2
	bound := b.st.Stretch.Seen + int(hop/seg.Step)
	if b.st.Stretch.Seen == 0 {
		bound *= 2 // the first look has no past
	}
	switch {
	case bound <= len(seg.Buf) && seg.at(bound) <= to:
		b.window(bound, false)
	case ended && bound > len(seg.Buf):
		end := seg.end()
		b.window(len(seg.Buf), true)
		p.drop()
		b.secondary().trim(end)
		b.st.Stretch = stretch{ID: b.st.Stretch.ID + 1}
	default:
		return false
	}
	return true
}

// endBurst finishes the epoch under way where nothing came for so long before a time that the burst is over.
func (b *Builder) endBurst(to int64) bool {
	if !b.st.Begun || to < b.st.LastData+burstGap {
		return false
	}
	b.closeBurst()
	return true
}

// closeBurst finishes the epoch under way at the end of the data.
func (b *Builder) closeBurst() {
	b.judge(b.st.LastData, true)
	b.finish(b.st.LastData, b.st.LastData+burstGap)
	b.st.HasReading = false
	b.st.Begun, b.st.Slow.Active = false, false
	b.st.Slow.Seen = b.st.LastData + 1
	b.trim(b.st.LastData)
}

// trim drops what nothing will ask for any more once no sample of the primary channel before a time can come.
func (b *Builder) trim(to int64) {
	b.secondary().trim(to - before)
	if !b.st.Begun {
		b.dropFlows(to - before)
		b.st.Side = dropBefore(b.st.Side, to-sideMemory)
	}
}
