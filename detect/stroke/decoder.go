package stroke

import "math"

// State is all that a Decoder remembers. Places are counted from the first sample that is still held, which is number Base of
// the stretch; times are seconds from the first sample of the stretch.
type State struct {
	// Step is the spacing of the grid, MinStroke the shortest stroke that the pump can make, s.
	Step, MinStroke float64
	Rhythm          Rhythm
	// Template is the usual dip.
	Template Template

	Base    int64
	In, Out lane
	// Z is the evidence of both channels up to Ripe, Cands its maxima up to Searched.
	Z              []float32
	Ripe, Searched int
	Cands          []candidate
	// Recent are the last settled edges.
	Recent []Edge
}

// candidate is a maximum of the evidence: perhaps a changeover.
type candidate struct {
	// At is its time and Top that of the evidence's maximum, s; Z its evidence, U and V those of inlet and discharge,
	// Fall how far the inlet falls, Pa.
	At, Top, Z float64
	U, V, Fall float32
	// Depth and Width are those of the inlet's dip, NaN where there is none.
	Depth, Width float64
}

// Decoder finds the edges of one pump while its samples come.
type Decoder struct {
	State

	weights        weights
	sure           bool
	short          []float32
	sorted, height []float64
	fold           []float64
	tall           []int
	best           []steps
	path, trial    []Edge
	window         []candidate
}

// Begin forgets the samples and begins a stretch on a grid of step (s, 5 to 40 ms) of a pump whose shortest stroke lasts
// minStroke (s). What the pump has shown of its rhythm stays.
func (d *Decoder) Begin(step, minStroke float64) {
	if d.Step != step {
		d.Template = Template{}
		d.In.White, d.Out.White = 0, 0
	}
	d.Step, d.MinStroke = step, minStroke
	d.Base, d.Ripe, d.Searched = 0, 0, 0
	d.In.reset()
	d.Out.reset()
	d.Z, d.Cands, d.Recent = d.Z[:0], d.Cands[:0], d.Recent[:0]
}

// Push takes the next samples of the stretch: gauge pressures, Pa, as many of each channel, NaN in its holes; one of the two
// may be nil where that channel lacks throughout. final tells that the stretch ends with them.
func (d *Decoder) Push(inlet, discharge []float32, final bool) {
	fresh := len(d.In.X)
	n := max(len(inlet), len(discharge))
	d.In.push(inlet, n)
	d.Out.push(discharge, n)
	if n == 0 && !final {
		return
	}
	d.extend(fresh, final)
}

// push appends n samples, NaN where there are none.
func (l *lane) push(x []float32, n int) {
	l.X = append(l.X, x...)
	for range n - len(x) {
		l.X = append(l.X, float32(math.NaN()))
	}
}

// Open is the part of the stretch of which the edges are not settled, but have their evidence, s.
func (d *Decoder) Open() (from, to float64) {
	from, to = float64(d.Base)*d.Step, d.end()
	if n := len(d.Recent); n > 0 {
		from = d.Recent[n-1].At
	}
	return from, to
}

// end is the time up to which the evidence is formed.
func (d *Decoder) end() float64 { return float64(d.Base+int64(d.Ripe)) * d.Step }

// Find gives the edges after those that it settled before, in order, and settles the first of them: nothing that comes will
// change these. final tells that the stretch ends here: all are settled then. The slice is valid until the next call.
func (d *Decoder) Find(c Counter, final bool) (edges []Edge, settled int) {
	d.path = d.path[:0]
	d.sure = d.weights.total > 0 && d.follow(c)
	if d.weights.total > 0 && !d.sure {
		d.search(c)
	}
	settled = len(d.path)
	if !final {
		open := d.end() - d.horizon()
		settled = 0
		for settled < len(d.path) && d.path[settled].At < open {
			settled++
		}
	}
	for i := range d.path[:settled] {
		d.settle(&d.path[i])
	}
	d.forget()
	return d.path, settled
}

// Sure reports whether the edges that the last Find gave left no doubt.
func (d *Decoder) Sure() bool { return d.sure }

// horizon is how long before the end of the evidence edges may still change, s.
func (d *Decoder) horizon() float64 {
	r := &d.Rhythm
	return min(max(1.5*(r.Period[0]+r.Period[1]), 0.3), 4)
}

// recent is how many settled edges are remembered: enough for the rhythm.
const recent = 8

// settle makes an edge final: its time is refined.
func (d *Decoder) settle(e *Edge) {
	d.refine(e)
	if n := len(d.Recent); n > 0 && e.At <= d.Recent[n-1].At {
		e.At = d.Recent[n-1].At + d.MinStroke/2
	}
	if len(d.Recent) == recent {
		d.Recent = drop(d.Recent, 1)
	}
	d.Recent = append(d.Recent, *e)
}

// What is held of the past: at least leastPast, and as much as some strokes need, but no more than mostPast, s.
const (
	leastPast = 5
	mostPast  = 12
	margin    = 0.5
)

// forget drops the samples that nothing will ask for any more.
func (d *Decoder) forget() {
	r := &d.Rhythm
	past := min(max(leastPast, 3*(r.Period[0]+r.Period[1])), mostPast)
	cut := d.Ripe - int(math.Ceil((past+margin)/d.Step))
	// In steps, so that little is copied.
	if cut < int(1/d.Step) {
		return
	}
	d.Base += int64(cut)
	d.In.cut(cut)
	d.Out.cut(cut)
	d.Z = drop(d.Z, cut)
	d.Ripe -= cut
	d.Searched = max(d.Searched-cut, 0)
	begin := float64(d.Base)*d.Step + margin
	n := 0
	for n < len(d.Cands) && d.Cands[n].At < begin {
		n++
	}
	d.Cands = drop(d.Cands, n)
}
