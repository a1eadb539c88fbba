package pelt

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"diastole/detect/robust"
)

// Change is one change point of a reviewed history.
type Change struct {
	// At is the first observation after it.
	At int
	// Before and After are where straight lines through the segments on either side lie at the change.
	Before, After float64
}

const (
	// lasting is how many observations a segment of a review has at least: what is shorter is an incident.
	lasting = 5
	// wild is how far off its neighbours, in standard deviations of the noise, an observation is drawn in.
	wild = 3.0
)

// Review finds the lasting changes of the course of a history, which is taken as a straight line between them: wear is a drift, and
// a drift is no sequence of steps. Single wild observations are drawn in first. What is searched is
// the history less what each observation carries over from the one before, for a search for changes takes correlated noise
// for many small ones (Chakar, Lebarbier, Levy-Leduc and Robin 2017, Bernoulli 23:1408, whose estimate of the correlation is used too). The
// penalty is that of Zhang and Siegmund (2007, Biometrics 63:22) without its term for short segments, and with one for the slope. A history
// without noise, or of less than two segments, has no changes.
func Review(history []float64) []Change {
	if len(history) < 2*lasting {
		return nil
	}
	x, r := tamed(history)
	free := make([]float64, len(x)-1)
	for i := range free {
		free[i] = (x[i+1] - r*x[i]) / (1 - r)
	}
	sd := noise(free, 1)
	if sd == 0 {
		return nil
	}
	// A segment's level, slope and place.
	at := Changes(newLine(free, sd, lasting), 4*math.Log(float64(len(x))))
	out := make([]Change, len(at))
	for i, a := range at {
		a++ // free[0] is the second observation
		from, to := 0, len(x)
		if i > 0 {
			from = at[i-1] + 1
		}
		if i+1 < len(at) {
			to = at[i+1] + 1
		}
		out[i] = Change{
			At:     a,
			Before: lineAt(x, from, a, a),
			After:  lineAt(x, a, to, a),
		}
	}
	return out
}

// lineAt is where the straight line through x[from:to] lies just before observation i.
func lineAt(x []float64, from, to, i int) float64 {
	places := make([]float64, to-from)
	for k := range places {
		places[k] = float64(from + k)
	}
	alpha, beta := stat.LinearRegression(places, x[from:to], nil, false)
	return alpha + beta*(float64(i)-0.5)
}

// tamed draws wild observations in to the median of the five about them (Hampel 1974, J. Am. Stat. Assoc. 69:383), and gives the
// correlation of neighbours from first and second differences: their variances are as 1 to 1 + r.
func tamed(x []float64) (out []float64, r float64) {
	near, next := noise(x, 1), noise(x, 2)
	if near == 0 {
		return x, 0
	}
	doubt := 1 / math.Sqrt(float64(len(x))) // the standard error: rather a change too few
	r = min(0.9, max(0, next*next/(near*near)-1)+doubt)
	sd := near / math.Sqrt(1-r)
	out = make([]float64, len(x))
	for i := range x {
		from := min(max(0, i-lasting/2), len(x)-lasting)
		mid := robust.Median(x[from:from+lasting], nil)
		out[i] = mid + min(wild*sd, max(-wild*sd, x[i]-mid))
	}
	return out, r
}

// noise is the standard deviation of independent observations whose differences over a lag are those of x. The tenth of the differences that is
// largest is left out, so that changes of level and lumps do not count.
func noise(x []float64, lag int) float64 {
	const (
		kept   = 0.9
		factor = 0.623018 // variance of a normal variable within its central nine tenths, 1 - 2 q phi(q) / 0.9 at q = 1.644854
	)
	squares := make([]float64, len(x)-lag)
	for i := range squares {
		d := x[i+lag] - x[i]
		squares[i] = d * d
	}
	slices.Sort(squares)
	n := int(math.Ceil(kept * float64(len(squares))))
	sum := 0.0
	for _, s := range squares[:n] {
		sum += s
	}
	return math.Sqrt(sum / float64(n) / factor / 2)
}
