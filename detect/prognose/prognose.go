// Package prognose tells how long a pump with a growing fault will do: the course of the fault's size, carried on to the size that
// calls for a rebuild, weighed with what is known of the lives of such parts (ISO 13381-1: always with its confidence).
package prognose

import (
	"math"
	"slices"
	"time"

	"diastole/model/life"
)

// Point is how large the fault looked when the pump had run so many strokes since its baseline began; a size of 1 calls for a rebuild.
type Point struct{ Strokes, Size float64 }

// Wear is what was seen of a fault until now.
type Wear struct {
	// Points are in order of strokes; the last is now.
	Points []Point
	// Doubt is the standard deviation of the logarithm of all sizes together: by how much this pump may show more or less of the same
	// wear than pumps of its model do.
	Doubt float64
	// Floor is the size below which sizes are not told apart.
	Floor float64
	Duty  Duty
}

// Duty is how the pump has run of late; zero where it is not known.
type Duty struct {
	// PerHour is strokes per running hour, PerDay strokes per calendar day.
	PerHour, PerDay float64
}

// Part is what is known of the part that wears.
type Part struct {
	// Belief is of its life in strokes; the zero value knows nothing of it.
	Belief life.Belief
	// Before is what the part had run when the baseline began, strokes. Known is false where that is not known: then the belief in its
	// life says nothing of what is left.
	Before float64
	Known  bool
}

// Remaining is how many strokes are left until the fault calls for a rebuild: with a probability of 10, 50 and 90 % it is fewer. It is 0
// where that may be reached by now.
type Remaining struct{ P10, P50, P90 float64 }

// Time is when the strokes of a quantile will have been run, from a time at a duty; ok is false where the duty is not known or the
// time is more than ten years off.
func (d Duty) Time(from time.Time, strokes float64) (at time.Time, ok bool) {
	const decade = 3652.0
	days := strokes / d.PerDay
	if !(d.PerDay > 0) || days > decade {
		return time.Time{}, false
	}
	return from.Add(time.Duration(days * 24 * float64(time.Hour))), true
}

// Hours is the running hours in which so many strokes are run; ok is false where the duty is not known.
func (d Duty) Hours(strokes float64) (hours float64, ok bool) {
	return strokes / d.PerHour, d.PerHour > 0
}

// The course of wear is size = scale ((strokes - onset)/life)^power from its onset on. It is followed with all of these:
var (
	// powers from wear that slows down (seats that bed in) to wear that hastens itself (a leak that cuts into its seat), and how
	// probable each is beforehand (common practice: straight or accelerating mostly).
	powers = []struct{ power, probability float64 }{
		{0.5, 0.2}, {0.75, 0.2}, {1, 0.25}, {1.5, 0.15}, {2, 0.12}, {3, 0.08},
	}
	// normal is a standard normal variable in seven equally probable steps.
	normal = []float64{-1.465, -0.792, -0.366, 0, 0.366, 0.792, 1.465}
)

const (
	onsets = 20 // tried, each a share farther back than the next
	levels = 25 // of the present size tried, for each onset and power

	// freedom and scatter are what is believed of the scatter of sizes about their course before any is seen: the standard deviation of
	// their logarithm, and how many points that belief is worth.
	freedom, scatter = 4.0, 0.15
)

// Forecast weighs all courses by how well they go through the points, and by the life of the part that each comes to. It reports false where
// there are no points.
func Forecast(w Wear, part Part) (Remaining, bool) {
	n := len(w.Points)
	if n == 0 {
		return Remaining{}, false
	}
	now := w.Points[n-1].Strokes
	history := max(now-w.Points[0].Strokes, now/100, 1)
	courses := trace(w, now, history)
	together := weights(courses, n)
	type outcome struct{ left, weight float64 }
	var all []outcome
	total := 0.0
	for i, c := range courses {
		if together[i] < 1e-6 {
			continue
		}
		for _, z := range normal {
			scale := math.Exp(z * w.Doubt)
			whole := c.elapsed * math.Pow(scale/c.level, 1/c.power) // strokes from the onset to the limit
			left := whole - c.elapsed
			weight := together[i] * prior(part, now+left, whole)
			if weight > 0 && !math.IsInf(left, 1) {
				all = append(all, outcome{max(0, left), weight})
				total += weight
			}
		}
	}
	if total <= 0 {
		return Remaining{}, false
	}
	slices.SortStableFunc(all, func(a, b outcome) int {
		if a.left < b.left {
			return -1
		} else if a.left > b.left {
			return 1
		}
		return 0
	})
	quantile := func(p float64) float64 {
		sum := 0.0
		for _, o := range all {
			if sum += o.weight; sum >= p*total {
				return o.left
			}
		}
		return all[len(all)-1].left
	}
	return Remaining{quantile(0.1), quantile(0.5), quantile(0.9)}, true
}

// prior is the density of the logarithm of the whole growth, when the part comes to its end at so many strokes since the baseline began:
// that of its life, or where nothing is known of it none in particular.
func prior(part Part, end, whole float64) float64 {
	if !part.Known || !part.Belief.Known() {
		return 1
	}
	return part.Belief.Density(max(part.Before+end, 1)) * whole
}

// course is one course of wear: it began so many strokes ago and has now come to a level, in sizes as they are seen.
type course struct {
	elapsed, level, power float64
	probability           float64
	// off is the mean square of the logarithm of the points over it, by is the correlation of one point's with the next.
	off, by float64
}

// trace follows all courses through the points.
func trace(w Wear, now, history float64) []course {
	last := w.Points[len(w.Points)-1].Size
	var out []course
	seen, shape := make([]float64, len(w.Points)), make([]float64, len(w.Points))
	for k, x := range w.Points {
		seen[k] = math.Log(x.Size*x.Size + w.Floor*w.Floor)
	}
	for i := range onsets {
		// From a fiftieth of the history to one and a half of it.
		elapsed := history * 1.5 * math.Pow(75, float64(i+1-onsets)/(onsets-1))
		for _, p := range powers {
			for k, x := range w.Points {
				shape[k] = math.Pow(max(0, 1-(now-x.Strokes)/elapsed), 2*p.power)
			}
			for r := range levels { // from half to twice the last size
				level := last * math.Pow(2, 2*float64(r)/(levels-1)-1)
				c := course{elapsed: elapsed, level: level, power: p.power, probability: p.probability}
				before := 0.0
				for k := range seen {
					d := (seen[k] - math.Log(level*level*shape[k]+w.Floor*w.Floor)) / 2
					c.off += d * d
					c.by += d * before
					before = d
				}
				c.by /= max(c.off, 1e-12)
				c.off /= float64(len(seen))
				out = append(out, c)
			}
		}
	}
	return out
}

// weights are the probabilities of courses, the scatter about them being unknown (a t distribution). Points that err together are worth
// fewer: by the correlation of the errors of the best course, as in an autoregressive process of the first order.
func weights(courses []course, n int) []float64 {
	best := 0
	for i := range courses {
		if courses[i].off < courses[best].off {
			best = i
		}
	}
	rho := min(0.95, max(0, courses[best].by))
	worth := float64(n) * (1 - rho) / (1 + rho)
	out := make([]float64, len(courses))
	top := math.Inf(-1)
	for i, c := range courses {
		out[i] = math.Log(c.probability) - (freedom+worth)/2*math.Log(freedom*scatter*scatter+worth*c.off)
		top = max(top, out[i])
	}
	for i := range out {
		out[i] = math.Exp(out[i] - top)
	}
	return out
}
