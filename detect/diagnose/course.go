package diagnose

import (
	"math"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/model/pump"
)

// Course is the pump's level over its whole life since the baseline: fine for the last hours, coarser the longer ago. Its size is
// bounded.
type Course struct{ Stretches []Stretch }

// Stretch is the mean level over some time. It holds what it is stored as, so that a restored course is the same.
type Stretch struct {
	// From and To bound the stretch in data time, ns since 1970.
	From, To int64
	// Strokes is what the pump had run since the baseline began when the stretch ended, strokes. Run is the time in seconds that
	// epochs were seen running, Seen the strokes in them.
	Strokes   float64
	Run, Seen float32
	Epochs    uint32
	// Has tells which coordinates were seen, bit j for coordinate j; Dev is their mean deviation.
	Has uint32
	Dev [baseline.Dim]float32
}

const (
	// longest is how many stretches are kept.
	longest = 32
	// finest is the shortest stretch.
	finest = 30 * time.Minute
)

// Follow adds the present level to the course. strokes is what the pump has run since the baseline began, run and seen the seconds
// and strokes of the epoch that ended last.
func (b *Bank) Follow(c *Course, strokes, run, seen float64) {
	s := Stretch{
		From: b.At.Add(-time.Duration(run * float64(time.Second))).UnixNano(), To: b.At.UnixNano(),
		Strokes: strokes, Run: float32(run), Seen: float32(seen), Epochs: 1,
	}
	l := b.level()
	for j := range baseline.Dim {
		if l.Has[j] {
			s.Has |= 1 << j
			s.Dev[j] = float32(l.Dev[j])
		}
	}
	if n := len(c.Stretches); n > 0 && s.To-c.Stretches[n-1].From < int64(finest) {
		c.Stretches[n-1] = joined(&c.Stretches[n-1], &s)
		return
	}
	c.Stretches = append(c.Stretches, s)
	if len(c.Stretches) > longest {
		c.thin(b.At.UnixNano())
	}
}

// thin joins the two neighbours that are the shortest together for their age.
func (c *Course) thin(now int64) {
	best, least := 0, math.Inf(1)
	for i := 0; i+1 < len(c.Stretches)-1; i++ { // the last is still being formed
		a, z := &c.Stretches[i], &c.Stretches[i+1]
		if r := float64(z.To-a.From) / float64(max(1, now-z.To)); r < least {
			best, least = i, r
		}
	}
	c.Stretches[best] = joined(&c.Stretches[best], &c.Stretches[best+1])
	c.Stretches = append(c.Stretches[:best+1], c.Stretches[best+2:]...)
}

// joined is a stretch and the next as one. A coordinate that one of them lacks is that of the other.
func joined(a, b *Stretch) Stretch {
	s := *a
	s.To, s.Strokes = b.To, b.Strokes
	s.Run += b.Run
	s.Seen += b.Seen
	s.Epochs += b.Epochs
	s.Has |= b.Has
	share := float32(b.Epochs) / float32(s.Epochs)
	for j := range baseline.Dim {
		switch inA, inB := a.Has>>j&1 == 1, b.Has>>j&1 == 1; {
		case inA && inB:
			s.Dev[j] += share * (b.Dev[j] - a.Dev[j])
		case inB:
			s.Dev[j] = b.Dev[j]
		}
	}
	return s
}

// level is the mean level over the stretch, with the noise of the present one: neighbouring levels share their epochs and their regime,
// so that the mean of them is hardly better.
func (s *Stretch) level(now *Recent) (l Recent) {
	for j := range baseline.Dim {
		if s.Has>>j&1 == 1 {
			l.Dev[j], l.Var[j], l.Has[j] = float64(s.Dev[j]), now.Var[j], true
		}
	}
	return l
}

// Sized is how large a fault looks over a stretch that ended when the pump had run so many strokes since the baseline began.
type Sized struct{ Strokes, Size float64 }

// Sizes gives the size of a fault over the course, by the signature of that side of it which fits the last stretch best. doubt is the
// standard deviation of the logarithm of the last size: how far the pump's own signature is in doubt, which is the same for all of
// them. It gives nothing for a fault that is not weighed.
func (b *Bank) Sizes(c *Course, f pump.Fault) (sizes []Sized, doubt float64) {
	if len(c.Stretches) == 0 {
		return nil, 0
	}
	_, offsetVar := b.Healthy.Expect(b.Op)
	now := b.level()
	last := c.Stretches[len(c.Stretches)-1].level(&now)
	best, top := -1, math.Inf(-1)
	for i := range b.hypotheses {
		if b.hypotheses[i].Fault != f || !b.Visible[i] {
			continue
		}
		for k := range b.hypotheses[i].Effects {
			if x := fit(&last, &b.hypotheses[i].Effects[k], &offsetVar); x > top {
				best, top = i, x
			}
		}
	}
	if best < 0 {
		return nil, 0
	}
	grid := fine(b.hypotheses[best].Effects)
	for i := range c.Stretches {
		s := &c.Stretches[i]
		l := s.level(&now)
		var size float64
		if size, doubt = sizeOf(&l, grid, &offsetVar); size > 0 {
			sizes = append(sizes, Sized{s.Strokes, size})
		}
	}
	return sizes, doubt
}

// Smallest is the least size that is told from none.
const Smallest = 0.02

// fine are effects at sizes in between, on straight lines from none through those that were simulated.
func fine(effects []chart.Effect) []chart.Effect {
	const perFactor = 1.15
	var out []chart.Effect
	k := 0
	below := chart.Effect{}
	for size := Smallest; size < effects[len(effects)-1].Size*1.0001; size *= perFactor {
		for size > effects[k].Size && k < len(effects)-1 {
			below = effects[k]
			k++
		}
		above := &effects[k]
		t := (size - below.Size) / (above.Size - below.Size)
		e := chart.Effect{Size: size}
		for j := range baseline.Dim {
			e.Mean[j] = below.Mean[j] + t*(above.Mean[j]-below.Mean[j])
			e.Spread[j] = below.Spread[j] + t*(above.Spread[j]-below.Spread[j])
			e.Scatter[j] = below.Scatter[j] + t*(above.Scatter[j]-below.Scatter[j])
		}
		out = append(out, e)
	}
	return out
}

// sizeOf is the geometric mean and the standard deviation of the logarithm of the size, each step of the grid as probable before as
// the next. A level without any coordinate gives 0.
func sizeOf(l *Recent, grid []chart.Effect, offsetVar *baseline.Vector) (size, doubt float64) {
	if l.Has == [baseline.Dim]bool{} {
		return 0, 0
	}
	density := make([]float64, len(grid))
	top := math.Inf(-1)
	for k := range grid {
		density[k] = fit(l, &grid[k], offsetVar)
		top = max(top, density[k])
	}
	var sum, s1, s2 float64
	for k := range grid {
		p, x := math.Exp(density[k]-top), math.Log(grid[k].Size)
		sum += p
		s1 += p * x
		s2 += p * x * x
	}
	mean := s1 / sum
	return math.Exp(mean), math.Sqrt(max(0, s2/sum-mean*mean))
}

// Duty is how the pump has run over the last week: strokes per second of running, and strokes per second of calendar time. Zero is not
// known.
func (c *Course) Duty() (running, calendar float64) {
	n := len(c.Stretches)
	if n == 0 {
		return 0, 0
	}
	const week = int64(7 * 24 * time.Hour)
	now := c.Stretches[n-1].To
	var run, seen, strokes float64
	from := now
	for i := n - 1; i >= 0 && now-c.Stretches[i].From <= week || i == n-1; i-- {
		s := &c.Stretches[i]
		run += float64(s.Run)
		seen += float64(s.Seen)
		before, begun := s.Strokes-float64(s.Seen), s.From
		if i > 0 { // with the pause before it, in which a counter may have gone on
			before, begun = c.Stretches[i-1].Strokes, c.Stretches[i-1].To
		}
		strokes += s.Strokes - before
		from = begun
	}
	if run > 0 {
		running = seen / run
	}
	if t := float64(now-from) / float64(time.Second); t > 0 {
		calendar = strokes / t
	}
	return running, calendar
}
