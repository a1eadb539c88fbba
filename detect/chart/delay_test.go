package chart

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// The delay of the charts of likelihood ratios, held against theory. One coordinate is seen, epochs are independent and
// normal with standard deviation 1, and a shift of delta comes with the first of them.

// known is a step of exactly delta, not more nor less.
func known(delta float64) []Effect { return steps(0, delta) }

// unknown is a shift of some size: the sizes, and the doubt of half of each, that package diagnose gives a fault.
func unknown() []Effect { return steps(0.5, 0.6, 1.4, 3.3, 7.8) }

func steps(doubt float64, sizes ...float64) []Effect {
	var out []Effect
	for _, s := range sizes {
		e := Effect{Size: s, Sudden: 1}
		e.Mean[feature.StrokeRate], e.Spread[feature.StrokeRate] = s, doubt*s
		out = append(out, e)
	}
	return out
}

// watch is a set of charts as package diagnose runs them, over one coordinate.
type watch struct {
	effects   []Effect
	threshold []float64
	healthy   Filter
	tracks    []Track
	m         Measurement
}

func newWatch(effects []Effect, threshold []float64) *watch {
	w := &watch{effects: effects, threshold: threshold, tracks: make([]Track, len(effects)), m: Measurement{Unseen: 1e-5, Swap: 0.01}}
	w.m.Has[feature.StrokeRate] = true
	w.m.Var[feature.StrokeRate] = 1
	return w
}

// next takes one epoch and reports whether a chart is over its threshold; that chart then starts anew.
func (w *watch) next(x float64) bool {
	w.m.Dev[feature.StrokeRate], w.m.Mirrored[feature.StrokeRate] = x, x
	before := w.healthy
	density := w.healthy.Update(&w.m, &Effect{})
	alarm := false
	for i := range w.tracks {
		w.tracks[i].Update(time.Time{}, &w.m, &w.effects[i], density, &before)
		if w.tracks[i].Score > w.threshold[i] {
			alarm = true
			w.tracks[i] = Track{}
		}
	}
	return alarm
}

// delay is the mean number of epochs to the first alarm, of epochs with mean delta.
func delay(rng *rand.Rand, effects []Effect, threshold []float64, delta float64) float64 {
	const runs = 4000
	n := 0
	for range runs {
		w := newWatch(effects, threshold)
		for n++; !w.next(delta + rng.NormFloat64()); n++ {
		}
	}
	return float64(n) / runs
}

// thresholdFor is the score of one chart alone whose mean time to a false alarm is arl epochs. A chart is a renewal process: it
// begins anew whenever its score falls to nothing, so the time is the mean length of a cycle over the probability p that it
// ends over the threshold. p is estimated by importance sampling: cycles are drawn with a shift, which takes them up, and
// each counts by the likelihood ratio of no shift against the mixture of shifts that were drawn (Siegmund 1985, Sequential
// Analysis, chapter 2).
func thresholdFor(rng *rand.Rand, e Effect, arl float64) float64 {
	const cycles, step, top = 20000, 0.05, 25.0
	var length float64
	cycle := func(mean float64, epoch func(x, score float64) bool) {
		w := newWatch([]Effect{e}, []float64{math.Inf(1)})
		for {
			x := mean + rng.NormFloat64()
			w.next(x)
			if !epoch(x, w.tracks[0].Score) {
				return
			}
		}
	}
	for range cycles {
		cycle(0, func(_, score float64) bool {
			length++
			return score > 0 && score < top
		})
	}
	length /= cycles
	size := e.Mean[feature.StrokeRate]
	shifts := []float64{size}
	if e.Spread[feature.StrokeRate] > 0 {
		shifts = []float64{0.4 * size, 0.7 * size, size, 1.4 * size}
	}
	over := make([]float64, int(top/step)) // probability of a cycle over each score
	for i := range cycles {
		sum, n, reached := 0.0, 0.0, 0
		cycle(shifts[i%len(shifts)], func(x, score float64) bool {
			sum += x
			n++
			ratio := 0.0
			for _, s := range shifts {
				ratio += math.Exp(s*sum-n*s*s/2) / float64(len(shifts))
			}
			for ; reached < len(over) && score > float64(reached)*step; reached++ {
				over[reached] += 1 / ratio / cycles
			}
			return score > 0 && reached < len(over)
		})
	}
	h := slices.IndexFunc(over, func(p float64) bool { return length/p > arl })
	return step * float64(h)
}

func TestDelayTrial(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 40))
	theory := map[float64][2]float64{0.5: {49.13, 85.92}, 1: {15.09, 24.30}, 1.5: {7.486, 11.579}, 2: {4.561, 6.864}}
	ks := map[float64][2]float64{}
	for _, d := range []float64{0.5, 0.7, 1, 1.4, 1.5, 2, 2.8, 4} {
		var g [2]float64
		for i, arl := range []float64{1e4, 1e6} {
			h := thresholdFor(rng, known(d)[0], arl)
			g[i] = delay(rng, known(d), []float64{h}, d)
			t.Logf("known %g at %g: h %.2f delay %.2f, theory %.2f", d, arl, h, g[i], theory[d][i])
		}
		ks[d] = g
	}
	u := unknown()
	for i, arl := range []float64{1e4, 1e6} {
		var h []float64
		for _, e := range u {
			h = append(h, thresholdFor(rng, e, arl*float64(len(u))))
		}
		t.Log(arl, h, math.Log(3*arl))
		for _, d := range []float64{0.5, 0.7, 1, 1.4, 2, 2.8, 4} {
			x := delay(rng, u, h, d)
			t.Logf("unknown %g: %.2f, over known %.3f", d, x, x/ks[d][i])
		}
	}
	_ = baseline.Dim
	_ = pump.Model{}
}
