package stroke

import "math"

// The parts of a dip in the inlet, in seconds from its steepest fall: the level before it, where its bottom may lie,
// and how long its recovery is followed.
const (
	levelFrom, levelTo = -0.045, -0.015
	bottomFrom         = -0.010
	bottomTo           = 0.060
	recoveryTo         = 0.300
)

// halfReach is how far the moment of half the fall may lie from the steepest one, s.
const halfReach = 0.030

// shape measures the dip of the inlet that falls most at a time (in samples), and returns a candidate at the moment at which
// the inlet had fallen by half, from the first sample held: the sharpest mark of a changeover. ok is false where there is no dip.
func (d *Decoder) shape(at float64) (c candidate, ok bool) {
	x, step := d.In.X, d.Step
	level, n := 0.0, 0
	for i := ceil(at + levelFrom/step); i <= floor(at+levelTo/step); i++ {
		if i >= 0 && i < len(x) {
			level += float64(x[i])
			n++
		}
	}
	low := -1
	for i := ceil(at + bottomFrom/step); i <= floor(at+bottomTo/step); i++ {
		if i >= 1 && i+1 < len(x) && (low < 0 || x[i] < x[low]) {
			low = i
		}
	}
	if n == 0 || low < 0 {
		return candidate{}, false
	}
	level /= float64(n)
	bottom := vertex(float64(x[low-1]), float64(x[low]), float64(x[low+1]))
	if !(level > bottom) {
		return candidate{}, false
	}
	half := (level + bottom) / 2
	fallen := crossing(x, low, -1, half, at+levelFrom/step)
	if math.IsNaN(fallen) || math.Abs(fallen-at)*step > halfReach {
		return candidate{}, false
	}
	risen := crossing(x, low, 1, half, at+recoveryTo/step)
	return candidate{At: fallen * step, Depth: level - bottom, Width: (risen - fallen) * step}, true
}

func ceil(x float64) int  { return int(math.Ceil(x)) }
func floor(x float64) int { return int(math.Floor(x)) }

// vertex is the extreme of the parabola through three evenly spaced values, of which the middle one is the smallest.
func vertex(a, b, c float64) float64 {
	den := a - 2*b + c
	if den <= 0 {
		return b
	}
	d := (a - c) / 2
	return b - d*d/(2*den)
}

// crossing is where x rises through a level, going from index i in steps of dir, NaN where it does not before a limit.
func crossing(x []float32, i, dir int, level, limit float64) float64 {
	for ; float64(dir*i) <= float64(dir)*limit; i += dir {
		j := i + dir
		if j < 0 || j >= len(x) {
			break
		}
		if u, v := float64(x[i]), float64(x[j]); u <= level && v > level {
			return float64(i) + float64(dir)*(level-u)/(v-u)
		}
	}
	return math.NaN()
}
