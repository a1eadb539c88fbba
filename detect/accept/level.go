package accept

import (
	"cmp"
	"math"
	"slices"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/detect/robust"
	"diastole/model/pump"
)

// level is where the pump is, over all epochs of a stage: the median deviation of each coordinate, as named and mirrored, with
// the variances of its noise and of its regime.
type level struct {
	dev, mirrored, noise, regime baseline.Vector
	expected, observed           baseline.Vector
	has                          [baseline.Dim]bool
	swapped                      float64 // prior probability that A and B are exchanged
	head                         float64
}

func (t *Trial) level() level {
	l := level{swapped: 0.1} // a counter may have missed a stroke that was made by hand
	for _, s := range t.Seen {
		if s.SignFree {
			l.swapped = 0.5
		}
	}
	middle := func(j int, of func(*Seen) float64) float64 {
		var x []float64
		for i := range t.Seen {
			if t.Seen[i].Has[j] {
				x = append(x, of(&t.Seen[i]))
			}
		}
		return robust.Median(x, nil)
	}
	heads := make([]float64, len(t.Seen))
	for i := range t.Seen {
		heads[i] = t.Seen[i].Head
	}
	l.head = robust.Median(heads, nil)
	for j := range baseline.Dim {
		n := 0.0
		for i := range t.Seen {
			if t.Seen[i].Has[j] {
				n++
			}
		}
		if l.has[j] = n > enough/2; !l.has[j] {
			continue
		}
		l.dev[j] = middle(j, func(s *Seen) float64 { return s.Dev[j] })
		l.mirrored[j] = middle(j, func(s *Seen) float64 { return s.Mirrored[j] })
		// The variance of a median of normal values is pi/2 that of their mean.
		l.noise[j] = math.Pi / 2 * middle(j, func(s *Seen) float64 { return s.Noise[j] }) / n
		l.regime[j] = middle(j, func(s *Seen) float64 { return s.Regime[j] })
		l.expected[j] = middle(j, func(s *Seen) float64 { return s.Expected[j] })
		l.observed[j] = middle(j, func(s *Seen) float64 { return s.Observed[j] })
	}
	return l
}

// blur is the standard deviation with which a simulated shift speaks for real pumps: a part of the shift, and a floor
// (common practice: no model of another make is to be believed closer).
var blur = struct {
	share float64
	floor baseline.Vector
}{
	share: 0.2,
	floor: baseline.Vector{
		feature.StrokeRate: 0.01, feature.Asymmetry: 0.006, feature.Dispersion: 0.25, feature.Hesitation: 0.3, feature.Ripple: 0.08,
		feature.RippleAsymmetry: 0.04, feature.DipDepth: 0.05, feature.DipWidth: 0.08, feature.AirPerStroke: 0.02,
		feature.Dwell: 0.02, feature.DwellAsymmetry: 0.008,
	},
}

// near is over what distance of head shifts speak for each other, and far the weight that they never lose.
const (
	near = 0.35
	far  = 0.02
)

// weight is how much a shift says of a pump that runs at the level's head.
func (l *level) weight(s *Shift) float64 {
	d := (s.Head - l.head) / near
	return far + math.Exp(-d*d/2)
}

// density is the log density of the level under a mixture of simulated shifts, but for the one at skip (-1: none).
func (l *level) density(shifts []Shift, skip int) float64 {
	logs, whole := make([]float64, 0, 2*len(shifts)), 0.0
	for i := range shifts {
		if i == skip {
			continue
		}
		w := l.weight(&shifts[i])
		whole += w
		logs = append(logs, math.Log(w*(1-l.swapped))+l.fit(&l.dev, &shifts[i]), math.Log(w*l.swapped)+l.fit(&l.mirrored, &shifts[i]))
	}
	if len(logs) == 0 {
		return math.Inf(-1)
	}
	top, sum := slices.Max(logs), 0.0
	for _, x := range logs {
		sum += math.Exp(x - top)
	}
	return top + math.Log(sum/whole)
}

// fit is the log density of one way of naming the strokes under one shift: a t distribution of few degrees of freedom, for the
// regime's offset is only known to be of an order.
func (l *level) fit(dev *baseline.Vector, s *Shift) float64 {
	q, logDet, n := 0.0, 0.0, 0
	for j := range baseline.Dim {
		if !l.has[j] || !s.Has[j] {
			continue
		}
		v := l.variance(j, s.Val[j])
		d := dev[j] - s.Val[j]
		q += d * d / v
		logDet += math.Log(v)
		n++
	}
	ll, _ := baseline.TDensity(q, logDet, n)
	return ll
}

func (l *level) variance(j int, shift float64) float64 {
	b := blur.share * shift
	return l.noise[j] + l.regime[j] + blur.floor[j]*blur.floor[j] + b*b
}

// evidence are the features that lie outside of what good rebuilds show, the farthest first.
func (l *level) evidence(good []Shift) []Evidence {
	const outside, most = 2, 5
	var out []Evidence
	for j := range baseline.Dim {
		if !l.has[j] {
			continue
		}
		mean, spread, n := 0.0, 0.0, 0.0
		for i := range good {
			if w := l.weight(&good[i]); good[i].Has[j] {
				n += w
				d := good[i].Val[j] - mean
				mean += w * d / n
				spread += w * d * (good[i].Val[j] - mean)
			}
		}
		if n == 0 {
			continue
		}
		f := feature.ID(j)
		sigma := (l.dev[j] - mean) / math.Sqrt(spread/n+l.variance(j, 0))
		if math.Abs(sigma) >= outside {
			out = append(out, Evidence{f, baseline.Natural(f, l.expected[j]+mean), baseline.Natural(f, l.observed[j]), sigma})
		}
	}
	slices.SortStableFunc(out, func(a, b Evidence) int { return cmp.Compare(math.Abs(b.Sigma), math.Abs(a.Sigma)) })
	return out[:min(len(out), most)]
}

// unseen are the mistakes of which more than one in five would not be called with the features at hand, each judged by the others
// of its kind at about this head. Of many shifts some speak for all: this is for a word of warning.
func (l *level) unseen(all []hypothesis, good []Shift) []Mistake {
	const (
		apart = 0.5 // of the weight that a shift at this very head has
		most  = 24
	)
	var out []Mistake
	for _, h := range all {
		if h.side != pump.SideA {
			continue
		}
		missed, n := 0, 0
		for i := 0; i < len(h.shifts) && n < most; i++ {
			if l.weight(&h.shifts[i]) < apart {
				continue
			}
			n++
			as := *l // as it would be seen, without noise
			as.dev, as.mirrored = h.shifts[i].Val, h.shifts[i].mirrored().Val
			as.swapped = min(l.swapped, 0.1)
			if as.density(h.shifts, i)-math.Log(float64(len(all)))-as.density(good, -1) < math.Log(2/refused) {
				missed++
			}
		}
		if 5*missed > n {
			out = append(out, h.mistake)
		}
	}
	return out
}
