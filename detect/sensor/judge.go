package sensor

import (
	"math"
	"time"

	"diastole/detect/signal"
)

// Pump is what must be known of the pump whose sensors are watched.
type Pump struct {
	// Channels tells which channels it has, OnChange which of them are sent on change only.
	Channels, OnChange [signal.NumChannels]bool
	// CounterPerCycle is true where the counter counts cycles (two strokes each).
	CounterPerCycle bool
	// CounterWraps is true where the total begins anew from zero at times.
	CounterWraps bool
	// Ratio is the liquid pressure over the air pressure that its build gives; 0 and 1 are the same.
	Ratio float64
	// MaxAir is the limit of air pressure on its plate, Pa gauge; 0 where it is not known.
	MaxAir float64
	// BeforeValve is true where the air inlet pressure is taken before the shut-off valve.
	BeforeValve bool
}

// Epoch is what strokes and counter made of the epoch that is judged.
type Epoch struct {
	Start, End time.Time
	// Running tells that strokes were seen at all, Strokes how many the best source had.
	Running bool
	Strokes int
	// Advance is that of the counter, strokes. Resets, Still, Waveform and Counted are how it behaved: see feature.CounterFacts.
	Advance         float64
	Resets          int
	Still, Waveform int
	Counted         float64
}

// The limits. Those of physics say where they come from; the others are wide against what sound sensors show, by common practice
// where nothing else is named.
const (
	// vacuum is the lowest gauge pressure that there is: minus the standard atmosphere (ISO 2533), Pa.
	vacuum = -101325
	// zeroError is what a transmitter of 10 bar may be off at zero: one per cent of its range (common practice).
	zeroError = 0.1e5
	// leastAir is the air pressure below which no such pump strokes, with a margin: the smallest creep from about 0.35 bar (common
	// practice).
	leastAir = 0.25e5
	// persistent is for how many epochs in a row counter and waveform must differ before the counter is blamed, unless it counts half: a
	// lump on a seat makes dips where there is no stroke, and near a leak's full size or with a torn diaphragm every second dip may be missed
	// for an epoch, which looks like a counter that counts double.
	persistent = 3
	// overPlate is by how much the plate's limit may be passed before the unit is doubted.
	overPlate = 1.25
	// flooded is by how much a flooded suction may lift the discharge above what the air alone can press: sheets allow some 0.7 bar at
	// the inlet (common practice).
	flooded = 0.7e5
	// enough is how many strokes show that the pump works.
	enough = 8
	// never is the probability that a sound sensor may have of showing what is called a fault.
	never = 1e-6
	// sound is how many epochs of running tell what is usual of a channel.
	sound = 10
)

// Judge says what was wrong with the sensors in an epoch that is over, in the order of the channels, at most one fault each; and
// forgets the samples up to its end.
func (w *Watch) Judge(p *Pump, e *Epoch) []Fault {
	j := judge{w: w, p: p, e: e, ratio: max(p.Ratio, 1)}
	if p.Ratio > 0 {
		j.ratio = p.Ratio
	}
	from, to := e.Start.UnixNano(), e.End.UnixNano()
	for i := range w.Channels {
		j.sums[i], _ = w.Channels[i].total(from, to)
	}
	j.seconds = float64(to-from) / 1e9
	j.works = e.Strokes >= enough || e.Advance >= enough
	for i, c := range watched {
		if !p.Channels[c] {
			continue
		}
		kind, observed, limit := j.channel(c, i)
		if kind != 0 {
			j.out = append(j.out, Fault{c, kind, observed, limit})
		} else {
			w.Channels[i].usual(&j.sums[i], j.works && e.Running, j.seconds)
		}
		w.Channels[i].forget(to)
	}
	if p.Channels[signal.StrokeCount] {
		if kind, observed, limit := j.counter(); kind != 0 {
			j.out = append(j.out, Fault{signal.StrokeCount, kind, observed, limit})
		}
		w.Counter.Back, w.Counter.Falls = 0, 0
	}
	return j.out
}

type judge struct {
	w       *Watch
	p       *Pump
	e       *Epoch
	ratio   float64
	sums    [len(watched)]slice
	seconds float64
	works   bool
	out     []Fault
}

// usual learns from an epoch of a sound channel.
func (ch *channel) usual(s *slice, runs bool, seconds float64) {
	if !runs || s.Pairs == 0 || seconds < 4 {
		return
	}
	const keep = 0.95
	ch.Same, ch.Twins = keep*ch.Same+float64(s.Equal), keep*ch.Twins+float64(s.Pairs)
	pace := float64(s.N) / seconds
	if ch.Epochs == 0 {
		ch.Pace = pace
	}
	ch.Pace += (1 - keep) * (pace - ch.Pace)
	ch.Epochs++
}

// channel judges one channel of values. The surest comes first.
func (j *judge) channel(c signal.Channel, i int) (kind Kind, observed, limit float64) {
	ch, s := &j.w.Channels[i], &j.sums[i]
	if back := float64(ch.Back) / 1e9; back > 1 {
		return ClockBack, back, 1
	}
	if want := ch.Pace * j.seconds; j.works && ch.Epochs >= sound && !j.p.OnChange[c] && j.seconds >= 8 && float64(s.N) < want/2 {
		return Dropout, float64(s.N) / want, 0.5
	}
	if s.N == 0 {
		return 0, 0, 0
	}
	if j.stuck(c, ch, s) {
		return Stuck, s.Max, s.Max
	}
	if c == signal.AirFlow {
		return 0, 0, 0
	}
	if m := s.mean(); m < vacuum {
		return OutOfRange, m, vacuum
	}
	if kind, observed, limit := j.scale(c, s.mean()); kind != 0 {
		return kind, observed, limit
	}
	return j.shape(c, s)
}

// stuck reports whether a channel showed one value only while the pump worked. Of a waveform that is plain: the strokes are in it.
// Single readings may be coarse; how often two in a row were the same so far tells how likely that is for all of them.
func (j *judge) stuck(c signal.Channel, ch *channel, s *slice) bool {
	if s.Min != s.Max || j.p.OnChange[c] || !j.works && !j.other(c) {
		return false
	}
	if s.Step > 0 && s.Step <= waveformStep {
		return c != signal.AirFlow && float64(s.N)*float64(s.Step)/1e9 >= 3
	}
	if ch.Epochs < sound {
		return false
	}
	same := (ch.Same + 1) / (ch.Twins + 2) // the rule of succession
	return float64(s.Pairs)*math.Log(same) < math.Log(never)
}

// other reports whether the other pressure moves as that of a working pump does.
func (j *judge) other(c signal.Channel) bool {
	for i, o := range watched {
		if s := &j.sums[i]; o != c && o != signal.AirFlow && s.N > 0 && s.Step > 0 && s.Step <= waveformStep {
			const moves = 0.1 // of the absolute pressure: far more than noise, less than ripple or dips
			return s.Max-s.Min > moves*(s.mean()-vacuum)
		}
	}
	return false
}

// scale judges the level of a pressure.
func (j *judge) scale(c signal.Channel, mean float64) (kind Kind, observed, limit float64) {
	runs := j.works && j.e.Running && j.strokes(c)
	if c == signal.AirInletPressure {
		shut := j.w.Shut > 0 && j.w.Shut <= j.e.Start.UnixNano() && !j.p.BeforeValve
		switch s := &j.sums[place(c)]; {
		case mean < -zeroError:
			return ZeroOffset, mean, -zeroError
		case shut && !j.works && j.seconds >= 20 && mean > 2*leastAir && s.Max-s.Min < zeroError:
			// Trapped air would leak away, and with more than this the pump would stroke.
			return ZeroOffset, mean, 2 * leastAir
		case runs && mean < leastAir:
			return WrongScale, mean, leastAir
		case runs && j.p.MaxAir > 0 && mean > overPlate*j.p.MaxAir:
			return WrongScale, mean, j.p.MaxAir
		}
		return 0, 0, 0
	}
	if most := j.ratio*j.p.MaxAir + flooded; runs && j.p.MaxAir > 0 && mean > overPlate*most {
		return WrongScale, mean, most
	}
	air := &j.sums[place(signal.AirInletPressure)]
	if !runs || !j.p.Channels[signal.AirInletPressure] || air.N == 0 || len(j.out) > 0 {
		return 0, 0, 0
	}
	// The air that presses on one diaphragm and the liquid that enters at the other are all that lifts the discharge.
	if most := j.ratio*air.mean() + flooded; mean > most {
		return Swapped, mean, most
	}
	return 0, 0, 0
}

// strokes reports whether the counter, or else another pressure, says too that there were strokes: of a pump without air the first look
// may make some of the waveform's noise.
func (j *judge) strokes(c signal.Channel) bool {
	if j.p.Channels[signal.StrokeCount] {
		return j.e.Advance >= enough
	}
	return j.other(c)
}

// shape judges the waveform of a pressure.
func (j *judge) shape(c signal.Channel, s *slice) (kind Kind, observed, limit float64) {
	if s.Step == 0 || s.Step > waveformStep || !j.works {
		return 0, 0, 0
	}
	level := s.mean() - vacuum
	if air := &j.sums[place(signal.AirInletPressure)]; air.N > 0 {
		level = max(level, air.mean()-vacuum)
	}
	if most := juts(s.Step) * level; s.Jut > most {
		return Spikes, s.Jut, most
	}
	if perStroke := j.seconds / j.e.Advance / (float64(s.Step) / 1e9); j.e.Advance >= enough && perStroke < 2 {
		return Aliased, perStroke, 2 // Shannon, Communication in the presence of noise, Proc. IRE 37 (1949), p. 10
	}
	if c == signal.DischargePressure && clipped(s) {
		return Clipped, s.Max, s.Max
	}
	return 0, 0, 0
}

// juts is by which part of the absolute pressure a sample may stick out beyond both of its neighbours. In no simulated pump, sound or
// worn, of any size did one by more than 0.17 at 50 samples a second and more, or by more than 0.27 at 20, where a whole stroke may
// lie between two samples.
func juts(step int64) float64 {
	if step <= int64(20*time.Millisecond) {
		return 0.5
	}
	return 1
}

// clipped reports whether a waveform is cut off at its top: a tenth of it and more is the very largest value, in runs, while
// values elsewhere seldom repeat. The discharge has no plateau that noise would not break.
func clipped(s *slice) bool {
	const share, runs, repeats = 0.1, 0.6, 0.2
	top, n := float64(s.Top), float64(s.N)
	elsewhere := float64(s.Equal-s.TopPairs+1) / float64(s.Pairs-s.TopPairs+2)
	return n >= 100 && top > share*n && float64(s.TopPairs) > runs*top && elsewhere < repeats
}

// counter judges the counter by what the waveform shows.
func (j *judge) counter() (kind Kind, observed, limit float64) {
	e := j.e
	quantum := 1.0
	if j.p.CounterPerCycle {
		quantum = 2
	}
	if back := float64(j.w.Counter.Back) / 1e9; back > 1 {
		return ClockBack, back, 1
	}
	resets := e.Resets
	if !j.p.CounterWraps {
		resets = max(resets, j.w.Counter.Falls) // also between bursts
	}
	if resets > 0 {
		return CounterReset, float64(resets), 0
	}
	if seen := float64(e.Still); seen >= enough*quantum {
		return CounterFrozen, seen, enough * quantum
	}
	// Each end of a run is uncertain by a quantum, and the strokes of a hesitating valve by one in ten.
	n := float64(e.Waveform)
	d, slack := e.Counted-n, 4*quantum+0.1*n
	if n < enough || math.Abs(d) <= slack || j.doubted() {
		j.w.Counter.Odd = 0
		return 0, 0, 0
	}
	j.w.Counter.Odd++
	share := e.Counted / n
	near := func(x float64) bool { return math.Abs(e.Counted-x*n) <= 2*quantum+0.05*n }
	switch {
	case near(0.5):
		return CounterHalf, share, 1
	case j.w.Counter.Odd < persistent:
		return 0, 0, 0
	case near(2):
		return CounterDouble, share, 1
	case d < 0:
		return CounterMissed, share, 1
	}
	return CounterExtra, share, 1
}

// doubted reports whether the waveform itself is not to be believed.
func (j *judge) doubted() bool {
	for _, f := range j.out {
		if f.Channel == signal.AirInletPressure && f.Kind != WrongScale && f.Kind != Swapped && f.Kind != ZeroOffset {
			return true
		}
	}
	return false
}
