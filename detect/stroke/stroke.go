// Package stroke finds the strokes of a pump in its pressure waveforms.
//
// At each changeover of the air valve an emptied chamber is connected to the supply: the air inlet dips
// sharply, for 20 to 60 ms, and recovers. The flow from the pump pauses at the same time, so the discharge
// pressure sags. Both are turned into one evidence signal in units of its own noise; its maxima are
// candidate changeovers. Where the candidates that stand out follow each other in the rhythm that the pump has
// shown, they are the changeovers; where anything is left open, the sequence that a pump with two sides,
// each with its own rhythm and its own dip, explains best is found by dynamic programming. Nothing is compared with a
// fixed level, so a small dip between large ones (one leaking check valve) is found where the rhythm asks
// for it, and a noise peak that the rhythm does not ask for is not.
//
// The work on each sample is done once. What a [Decoder] holds is bounded, and is all that it knows: it can be stored
// and goes on from there as if nothing had happened.
package stroke

// Edge is one changeover: the end of one stroke and the start of the next.
type Edge struct {
	// At is the time from the first sample of the stretch, s.
	At float64
	// Side alternates between 0 and 1 along the pump's two strokes: it is the side of the stroke that ends
	// here. Which of them is A, the waveform cannot tell.
	Side uint8
	// Evidence is how far the candidate stands out, in standard deviations of the noise.
	Evidence float64
	// Depth and Width are those of the inlet's dip, Pa and s, the width at half the depth; NaN where there is no
	// inlet or no dip in it.
	Depth, Width float64

	top float64 // time of the evidence's maximum, s
}

// Counter is what a stroke counter tells of the part of a stretch that is not settled.
type Counter struct {
	// Strokes is how many strokes it saw, with the standard error SE; an SE of zero means that there is no counter, or
	// none to be believed.
	Strokes, SE float64
}

// Rhythm is how the pump beats: what one look learned and the next one starts from.
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
	// Known is false until a look has shown a rhythm.
	Known bool
}
