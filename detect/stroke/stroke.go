// Package stroke finds the strokes of a pump in its pressure waveforms.
//
// At each changeover of the air valve an emptied chamber is connected to the supply: the air inlet dips
// sharply, for 20 to 60 ms, and recovers. The flow from the pump pauses at the same time, so the discharge
// pressure sags. Both are turned into one evidence signal in units of its own noise; its maxima are
// candidate changeovers; and the sequence of candidates that a pump with two sides, each with its own
// rhythm and its own dip, explains best is found by dynamic programming. Nothing is compared with a
// fixed level, so a small dip between large ones (one leaking check valve) is found where the rhythm asks
// for it, and a noise peak that the rhythm does not ask for is not.
package stroke

// Edge is one changeover: the end of one stroke and the start of the next.
type Edge struct {
	// At is the time from the first sample of the window, s.
	At float64
	// Side alternates between 0 and 1 along the pump's two strokes: it is the side of the stroke that ends
	// here. Which of them is A, the waveform cannot tell.
	Side uint8
	// Evidence is how far the candidate stands out, in standard deviations of the noise.
	Evidence float64
	// Depth and Width are those of the inlet's dip, Pa and s, the width at half the depth; NaN where there is no
	// inlet or no dip in it.
	Depth, Width float64
}

// Window is a stretch of waveform without a gap, on an even grid of 5 to 40 ms.
type Window struct {
	// Step is the spacing of the grid, s.
	Step float64
	// Inlet and Discharge are gauge pressures, Pa; nil where the channel is absent. At least one is present, and
	// where both are they have the same length. NaN marks the holes of the discharge where both are.
	Inlet, Discharge []float32
	// MinStroke is the shortest stroke that the pump can make, s.
	MinStroke float64
	// Fixed is an edge that an earlier window settled, at Fixed.At in this one: the sequence goes on from it.
	// HasFixed is false where there is none.
	Fixed    Edge
	HasFixed bool
	// Strokes is how many strokes a counter saw in the window, with the standard error StrokesSE; a
	// StrokesSE of zero means that there is no counter.
	Strokes, StrokesSE float64
}

// Rhythm is how the pump beats: what one window learned and the next one starts from.
type Rhythm struct {
	// Period and Spread are the usual duration of a stroke of each side and its scatter, s.
	Period, Spread [2]float64
	// Height is the usual evidence of the changeover that ends a stroke of each side, relative to the larger.
	Height [2]float64
	// Hesitation is the share of strokes that last far longer than usual, Delay the mean excess, s.
	Hesitation, Delay float64
	// Lag is how much later than the inlet the discharge shows a changeover, s; HasLag is false until known.
	Lag    float64
	HasLag bool
	// Known is false until a window has shown a rhythm.
	Known bool
}
