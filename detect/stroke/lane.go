package stroke

import (
	"math"

	"diastole/detect/robust"
)

// lane is one channel on the grid and the evidence formed of it.
type lane struct {
	// X are the pressures, Pa, NaN where the channel has a hole. E is the evidence at the same places, Pa, as far as it could
	// be formed. M is the mean of X over some samples up to
	// there; only the inlet has F, how far X falls there.
	X, E, M, F []float32
	// White is the standard deviation that the samples' noise gives E, Pa; 0 until it was measured.
	White float64
	// Peaks are the maxima of the evidence that are still remembered.
	Peaks []peak
}

// peak is a maximum of a lane's evidence.
type peak struct {
	At int
	// Height is the evidence there; of an inlet, Fall is how far it falls and Soon how far it soon comes back; all Pa.
	Height, Fall, Soon float32
}

// cut removes the first n places.
func (l *lane) cut(n int) {
	l.X, l.E, l.M, l.F = drop(l.X, n), drop(l.E, n), drop(l.M, n), drop(l.F, n)
	first := 0
	for first < len(l.Peaks) && l.Peaks[first].At < n {
		first++
	}
	l.Peaks = l.Peaks[:copy(l.Peaks, l.Peaks[first:])]
	for i := range l.Peaks {
		l.Peaks[i].At -= n
	}
}

// drop removes the first n elements of x, or all where it has fewer.
func drop[T any](x []T, n int) []T { return x[:copy(x, x[min(n, len(x)):])] }

// reset forgets the samples but keeps the noise.
func (l *lane) reset() {
	l.X, l.E, l.M, l.F, l.Peaks = l.X[:0], l.E[:0], l.M[:0], l.F[:0], l.Peaks[:0]
}

// average extends M: the mean of X over the n samples up to each place; X itself before there are so many.
func (l *lane) average(n int) {
	for len(l.M) < min(n-1, len(l.X)) {
		l.M = append(l.M, l.X[len(l.M)])
	}
	x := l.X
	k := len(l.M)
	switch n {
	case 1:
		l.M = append(l.M, x[k:]...)
	case 2:
		for ; k < len(x); k++ {
			l.M = append(l.M, (x[k-1]+x[k])/2)
		}
	case 3:
		for ; k < len(x); k++ {
			l.M = append(l.M, (x[k-2]+x[k-1]+x[k])/3)
		}
	default:
		inv := 1 / float32(n)
		for ; k < len(x); k++ {
			sum := float32(0)
			for _, v := range x[k-n+1 : k+1] {
				sum += v
			}
			l.M = append(l.M, sum*inv)
		}
	}
}

// fall extends the falls of an inlet: for each sample, the mean over the n samples before it less the mean over the
// n samples after it; zero within n samples of the beginning.
func (l *lane) fall(n int) {
	l.average(n)
	for len(l.F) < min(n, len(l.X)) {
		l.F = append(l.F, 0)
	}
	for i := len(l.F); i+n < len(l.M); i++ {
		l.F = append(l.F, l.M[i-1]-l.M[i+n])
	}
}

// bend extends the evidence of a discharge: by how much, for each sample, the means w samples before and after it lie above
// the mean around it, each over 2h+1 samples: large where it turns from falling to rising. It is zero near the
// beginning, NaN near holes.
func (l *lane) bend(w, h int) {
	l.average(2*h + 1)
	for len(l.E) < min(w+h, len(l.X)) {
		l.E = append(l.E, 0)
	}
	for i := len(l.E) + h; i+w < len(l.M); i++ {
		l.E = append(l.E, (l.M[i-w]+l.M[i+w])/2-l.M[i])
	}
}

// secondScale turns the median absolute second difference of white noise into its standard deviation,
// 1/(Phi^-1(3/4) sqrt(6)).
const secondScale = 1.482602218505602 / 2.449489742783178

// leastNoise is the noise below which a fall cannot be a changeover, relative to the absolute pressure. The smallest
// dips in practice are some fifty times that.
const leastNoise = 2e-4

// noise looks at the samples from index from on and updates White: share is the part of the samples' variance that the
// evidence has. It is told by the second differences of some of the samples, which changeovers hardly touch.
func (l *lane) noise(scratch *[]float32, from int, share float64) {
	const looks = 24
	x := l.X[max(from-2, 0):]
	all := (*scratch)[:0]
	stride := max(2, len(x)/looks)
	for i := 2; i < len(x); i += stride {
		v := x[i-2] - 2*x[i-1] + x[i]
		if v < 0 {
			v = -v
		}
		if v == v {
			all = append(all, v)
		}
	}
	*scratch = all
	if len(all) < 8 {
		return
	}
	level := float64(x[len(x)-1])
	if level != level {
		level = 0
	}
	white := max(float64(robust.Select(all, len(all)/2))*secondScale*math.Sqrt(share), leastNoise*(math.Abs(level)+101325))
	if l.White == 0 {
		l.White = white
	}
	l.White += 0.3 * (white - l.White)
}

// height is the usual height of the tall peaks: the median of those that reach half of the largest but one; zero where there
// is none. The largest is left out because it may be a spike.
func (l *lane) height(scratch *[]float32) float64 {
	var first, second float32
	for _, p := range l.Peaks {
		switch {
		case p.Height > first:
			first, second = p.Height, first
		case p.Height > second:
			second = p.Height
		}
	}
	if second == 0 {
		second = first
	}
	all := (*scratch)[:0]
	for _, p := range l.Peaks {
		if p.Height >= second/2 {
			all = append(all, p.Height)
		}
	}
	*scratch = all
	if len(all) == 0 || second <= 0 {
		return 0
	}
	return float64(robust.Select(all, len(all)/2))
}

// findPeaks remembers the maxima in [from, to) of e, the lane's evidence or falls, that exceed the noise and are the largest
// within gap samples.
func (l *lane) findPeaks(e []float32, from, to, gap int) {
	least := float32(l.White)
	for i := max(from, 1); i < min(to, len(e)); i++ {
		if e[i] > least && isMaximum(e, i, gap) {
			l.Peaks = append(l.Peaks, peak{At: i, Height: e[i], Fall: e[i]})
		}
	}
}

// isMaximum reports whether e[i] is the largest within gap samples, the first of equals.
func isMaximum[F float32 | float64](e []F, i, gap int) bool {
	v := e[i]
	for k := 1; k <= gap; k++ {
		if i-k >= 0 && e[i-k] >= v || i+k < len(e) && e[i+k] > v {
			return false
		}
	}
	return true
}
