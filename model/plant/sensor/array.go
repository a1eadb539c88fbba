package sensor

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"diastole/model/plant"
)

// Array is the instruments at one pump.
type Array struct {
	parts []part
	rng   *rand.Rand
	looks int64 // since the last Flush
}

// part is one instrument at work.
type part struct {
	Instrument
	read    func(plant.Sample) float64
	trouble Trouble
	filter  filter
	every   int64 // base intervals per reading

	// The block that is being gathered.
	start  time.Time
	values []float64

	last, sent    float64
	hasLast, said bool
	strokes       int64 // of the pump, as last seen
	total         int64 // as counted
	counting      bool
}

// NewArray sets up instruments; the seed fixes their noise.
func NewArray(seed uint64, instruments ...Instrument) (*Array, error) {
	a := &Array{rng: rand.New(rand.NewPCG(seed, 0xda3e39cb94b95bdb))}
	for k, i := range instruments {
		if err := i.Validate(); err != nil {
			return nil, fmt.Errorf("instrument %d: %w", k+1, err)
		}
		p := part{Instrument: i, read: channels[i.Channel], filter: newFilter(i.Cutoff, 1/Base.Seconds()), every: 1}
		if i.Rate > 0 {
			p.every = int64(1000 / i.Rate)
		}
		p.Block = max(1, p.Block)
		p.values = make([]float64, 0, max(p.Block, 64))
		a.parts = append(a.parts, p)
	}
	return a, nil
}

// Set gives the instrument of a channel its trouble from now on; unknown channels are ignored, since a
// trouble may be planned for an instrument that a pump lacks.
func (a *Array) Set(channel string, t Trouble) {
	for i := range a.parts {
		if p := &a.parts[i]; p.Channel == channel {
			if t.Reset && !p.trouble.Reset {
				p.total = 0
			}
			p.trouble = t
		}
	}
}

// Run runs the pump for d, which begins at the given time, and hands every message to sink when it is
// complete. The values are valid during the call only. At the end unfinished blocks are sent as they are, so
// that runs may follow each other after any pause.
func (a *Array) Run(s *plant.Pump, start time.Time, d time.Duration, sink func(Chunk)) {
	now := start
	s.Run(d, Base, func(x plant.Sample) {
		a.Look(now, x, sink)
		now = now.Add(Base)
	})
	a.Flush(sink)
}

// Look shows the instruments one sample, which must follow the one before by Base, or after Flush by any
// time. It is what Run does, for pumps that advance together.
func (a *Array) Look(now time.Time, x plant.Sample, sink func(Chunk)) {
	for i := range a.parts {
		p := &a.parts[i]
		due := a.looks%p.every == 0
		switch p.Channel {
		case "stroke_edge":
			p.edge(now, x, a.rng, sink)
		case "stroke_count":
			p.count(x, a.rng)
			if due {
				p.send(now, p.reading(), a.rng, sink)
			}
		default:
			v := p.filter.step(p.read(x))
			if due {
				p.send(now, p.measure(v, a.rng), a.rng, sink)
			}
		}
	}
	a.looks++
}

// Flush sends the blocks that are unfinished, and lets every instrument begin a new one.
func (a *Array) Flush(sink func(Chunk)) {
	for i := range a.parts {
		a.parts[i].flush(a.rng, sink)
	}
	a.looks = 0
}

// measure is what the instrument makes of a value.
func (p *part) measure(v float64, rng *rand.Rand) float64 {
	if p.trouble.Stuck && p.hasLast {
		return p.last
	}
	v += p.Offset + p.trouble.Offset
	if p.Noise > 0 {
		v += p.Noise * rng.NormFloat64()
	}
	if p.trouble.Spikes > 0 && rng.Float64() < p.trouble.Spikes/p.Rate {
		v += p.trouble.SpikeSize * rng.NormFloat64()
	}
	if p.Resolution > 0 {
		v = math.Round(v/p.Resolution) * p.Resolution
	}
	if p.Low < p.High {
		v = min(max(v, p.Low), p.High)
	}
	p.last, p.hasLast = v, true
	return v
}

// count follows the strokes of the pump.
func (p *part) count(x plant.Sample, rng *rand.Rand) {
	if !p.counting {
		p.counting = true
		p.strokes, p.total = x.Strokes, x.Strokes
	}
	seen := x.Strokes - p.strokes
	p.strokes = x.Strokes
	if p.trouble.Missed == 0 && p.trouble.Chatter == 0 {
		p.total += seen
		return
	}
	if seen > 1000 { // a pause: the mean will do
		p.total += int64(math.Round(float64(seen) * (1 - p.trouble.Missed + p.trouble.Chatter)))
		return
	}
	for ; seen > 0; seen-- {
		p.total += heard(p.trouble, rng)
	}
}

// heard is how often a stroke is counted.
func heard(t Trouble, rng *rand.Rand) int64 {
	switch u := rng.Float64(); {
	case u < t.Missed:
		return 0
	case u < t.Missed+t.Chatter:
		return 2
	}
	return 1
}

// reading is the total that the counter shows.
func (p *part) reading() float64 {
	if p.trouble.Stuck && p.hasLast {
		return p.last
	}
	n := p.total
	if p.PerCycle {
		n /= 2
	}
	if p.WrapsAt > 0 {
		n %= p.WrapsAt
	}
	v := float64(n)
	if p.Float32 {
		v = float64(float32(v))
	}
	p.last, p.hasLast = v, true
	return v
}

// edge sends the time of each stroke in its own message.
func (p *part) edge(now time.Time, x plant.Sample, rng *rand.Rand, sink func(Chunk)) {
	if !p.counting {
		p.counting = true
		p.strokes = x.Strokes
	}
	ago := time.Duration((x.Time - x.LastStroke) * float64(time.Second))
	fresh := x.Strokes > p.strokes && ago < 2*Base // not one that was skipped in a pause
	p.strokes = x.Strokes
	if !fresh || p.trouble.Stuck || p.PerCycle && x.Strokes%2 != 0 {
		return
	}
	for k := range heard(p.trouble, rng) {
		bounce := time.Duration(k) * 4 * time.Millisecond // contacts chatter within some ms (common practice)
		p.start = now.Add(bounce - ago)
		p.values = append(p.values[:0], 0)
		p.flush(rng, sink)
	}
}

// send puts one reading on its way.
func (p *part) send(now time.Time, v float64, rng *rand.Rand, sink func(Chunk)) {
	if p.Deadband > 0 && p.said && math.Abs(v-p.sent) <= p.Deadband {
		return
	}
	p.sent, p.said = v, true
	if len(p.values) == 0 {
		p.start = now
	}
	if p.values = append(p.values, v); len(p.values) >= p.Block {
		p.flush(rng, sink)
	}
}

func (p *part) flush(rng *rand.Rand, sink func(Chunk)) {
	if len(p.values) == 0 {
		return
	}
	c := Chunk{Channel: p.Channel, Start: p.start, Values: p.values}
	if p.Block > 1 {
		c.Step = time.Duration(p.every) * Base
	}
	if p.trouble.Silent == 0 || rng.Float64() >= p.trouble.Silent {
		sink(c)
	}
	p.values = p.values[:0]
}
