package accept

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/detect/robust"
	"diastole/model/pump"
)

// Stage is when a rebuild is looked at.
type Stage string

// The stages. Over means that no further look is to come.
const (
	First    Stage = "first"
	Waiting  Stage = "waiting"
	BeddedIn Stage = "bedded-in"
	Over     Stage = "over"
)

const (
	// enough is how many epochs of running make a verdict, after the first one, in which the pump primes.
	enough = 6
	// longest is the running time after which no verdict is no longer waited for.
	longest = time.Hour
	// standing is how long a pump may stand with air on before it is called so.
	standing = time.Minute
	// beddedIn is after how many strokes new seals and diaphragms are run in: 10 000 to 50 000 cycles (common practice).
	beddedIn = 100_000
	// refused is the share of good rebuilds that may be called wrong, over both looks.
	refused = 0.02
)

// Trial is the acceptance of one rebuild, fed with the epochs since. Its fields are exported to be stored.
type Trial struct {
	// Healthy is what the pump is compared with; Own tells that it is this pump's own best, else what pumps of the model do.
	Healthy *baseline.Healthy
	Own     bool
	Stage   Stage
	// Wrong tells that a mistake was called.
	Wrong bool
	// Running and Stood are the times seen in this stage, Strokes those since the rebuild, Skipped the epochs left out.
	Running, Stood time.Duration
	Strokes        float64
	Skipped        int
	Seen           []Seen
}

// Seen is one epoch of running: deviations from the healthy expectation as the strokes are named, and with A and B exchanged,
// the variance of their noise, that of the regime, and what a feature was and was expected to be.
type Seen struct {
	Dev, Mirrored, Noise, Regime baseline.Vector
	Expected, Observed           baseline.Vector
	Has                          [baseline.Dim]bool
	SignFree                     bool
}

// Verdict is the outcome of a stage. Where the pump is neither Good nor has a Mistake, it could not be judged.
type Verdict struct {
	Stage   Stage
	Good    bool
	Mistake Mistake
	Side    pump.Side
	// Probability is that of the mistake among all, and Alternatives the next ones.
	Probability  float64
	Alternatives []Mistake
	// Against says what the pump was compared with.
	Against string
	// Unseen are mistakes that the features at hand cannot show.
	Unseen   []Mistake
	Evidence []Evidence
	why      string
}

// Evidence is one feature that is not as expected, in its own unit.
type Evidence struct {
	Feature            feature.ID
	Expected, Observed float64
	// Sigma is the deviation in standard deviations of what a good rebuild shows.
	Sigma float64
}

// New begins a trial against the best that the pump has been; nil where that is not known, and then against what pumps of the
// model do.
func New(m pump.Model, best *baseline.Healthy) *Trial {
	t := &Trial{Healthy: best, Own: best != nil, Stage: First}
	if best == nil {
		t.Healthy = baseline.Generic(m)
	}
	return t
}

// Add takes an epoch since the rebuild with its observation, ok where it can be judged. It gives a verdict where a stage
// ends with the epoch, else nil.
func (t *Trial) Add(e *feature.Epoch, o baseline.Observation, ok bool) *Verdict {
	t.Strokes += float64(e.Strokes)
	if t.Stage == Waiting && t.Strokes >= beddedIn {
		t.Stage, t.Running, t.Stood, t.Seen = BeddedIn, 0, 0, nil
	}
	if t.Stage != First && t.Stage != BeddedIn {
		return nil
	}
	switch length := e.End.Sub(e.Start); e.State {
	case feature.NotStroking:
		if t.Stood += length; t.Stage == First && t.Stood >= standing {
			return t.end(&Verdict{Mistake: DoesNotStroke, Side: pump.SideUnknown, Probability: 1})
		}
		return nil
	case feature.Running:
		t.Stood = 0
		t.Running += length
	default:
		return nil
	}
	if ok && t.Stage == First && t.Skipped == 0 {
		t.Skipped++
		return nil
	}
	if ok {
		t.see(o)
	}
	switch {
	case len(t.Seen) >= enough:
		return t.end(t.judge())
	case t.Running >= longest:
		return t.end(&Verdict{why: fmt.Sprintf("only %d of %d minutes of running could be judged: a pressure is missing, or strokes were not found", len(t.Seen), enough)})
	}
	return nil
}

func (t *Trial) see(o baseline.Observation) {
	mean, regime := t.Healthy.Expect(o.Op)
	m := o.Mirrored()
	s := Seen{Noise: t.Healthy.NoiseVar(o), Regime: regime, Expected: mean, Observed: o.Val, SignFree: o.SignFree}
	for j := range baseline.Dim {
		s.Dev[j], s.Mirrored[j] = o.Val[j]-mean[j], m.Val[j]-mean[j]
		s.Has[j] = o.Has[j] && t.Healthy.Known[j]
	}
	t.Seen = append(t.Seen, s)
}

// end closes the stage with a verdict.
func (t *Trial) end(v *Verdict) *Verdict {
	v.Stage = t.Stage
	v.Against = "what pumps of this model do: this pump's own best is not known"
	if t.Own {
		v.Against = "the best that this pump has been"
	}
	t.Seen = nil
	switch {
	case v.Mistake != "":
		t.Stage, t.Wrong = Over, true
	case v.Good && t.Stage == First:
		t.Stage = Waiting
	default:
		t.Stage = Over
	}
	return v
}

// judge weighs the mistakes against a good rebuild. The ratio of likelihoods has mean one on good rebuilds as the table has them,
// so that it passes 1/a on at most the share a of them (Markov's inequality).
func (t *Trial) judge() *Verdict {
	table, err := DecodeTable(tableFile)
	if err != nil {
		panic("BUG: " + err.Error()) // it is part of the program, and tests read it
	}
	good := table.Fresh
	if t.Stage == BeddedIn {
		good = table.BeddedIn
	}
	l := t.level()
	base := l.density(good)
	all := table.hypotheses()
	densities := make([]float64, len(all))
	top := math.Inf(-1)
	for i, h := range all {
		densities[i] = l.density(h.shifts)
		top = max(top, densities[i])
	}
	sum := 0.0
	share := map[Mistake]float64{}
	for i, d := range densities {
		p := math.Exp(d - top)
		sum += p
		share[all[i].mistake] += p
	}
	v := &Verdict{Evidence: l.evidence(good), Unseen: l.unseen(all, good)}
	if ratio := top + math.Log(sum/float64(len(all))) - base; ratio < math.Log(2/refused) {
		v.Good = true
		return v
	}
	best := 0
	for i, h := range all {
		b := all[best]
		if cmp.Or(cmp.Compare(share[h.mistake], share[b.mistake]), cmp.Compare(densities[i], densities[best])) > 0 {
			best = i
		}
	}
	v.Mistake, v.Side = all[best].mistake, all[best].side
	v.Probability = share[v.Mistake] / sum
	for _, h := range all {
		if h.side == pump.SideA && h.mistake != v.Mistake && share[h.mistake] > 0.1*sum {
			v.Alternatives = append(v.Alternatives, h.mistake)
		}
	}
	slices.SortStableFunc(v.Alternatives, func(a, b Mistake) int { return cmp.Compare(share[b], share[a]) })
	return v
}

// level is where the pump is, over all epochs of a stage: the median deviation of each coordinate, as named and mirrored, with
// the variances of its noise and of its regime.
type level struct {
	dev, mirrored, noise, regime baseline.Vector
	expected, observed           baseline.Vector
	has                          [baseline.Dim]bool
	swapped                      float64 // prior probability that A and B are exchanged
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

// density is the log density of the level under a mixture of simulated shifts.
func (l *level) density(shifts []Shift) float64 {
	if len(shifts) == 0 {
		return math.Inf(-1)
	}
	logs := make([]float64, 0, 2*len(shifts))
	for i := range shifts {
		logs = append(logs, math.Log1p(-l.swapped)+l.fit(&l.dev, &shifts[i]), math.Log(l.swapped)+l.fit(&l.mirrored, &shifts[i]))
	}
	top, sum := slices.Max(logs), 0.0
	for _, x := range logs {
		sum += math.Exp(x - top)
	}
	return top + math.Log(sum/float64(len(shifts)))
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
			if good[i].Has[j] {
				n++
				d := good[i].Val[j] - mean
				mean += d / n
				spread += d * (good[i].Val[j] - mean)
			}
		}
		if n < 2 {
			continue
		}
		f := feature.ID(j)
		sigma := (l.dev[j] - mean) / math.Sqrt(spread/(n-1)+l.variance(j, 0))
		if math.Abs(sigma) >= outside {
			out = append(out, Evidence{f, baseline.Natural(f, l.expected[j]+mean), baseline.Natural(f, l.observed[j]), sigma})
		}
	}
	slices.SortStableFunc(out, func(a, b Evidence) int { return cmp.Compare(math.Abs(b.Sigma), math.Abs(a.Sigma)) })
	return out[:min(len(out), most)]
}

// unseen are the mistakes of which most would not be called with the features at hand.
func (l *level) unseen(all []hypothesis, good []Shift) []Mistake {
	var out []Mistake
	for _, h := range all {
		if h.side != pump.SideA {
			continue
		}
		missed := 0
		for i := range h.shifts {
			as := *l // as it would be seen, without noise
			as.dev, as.mirrored = h.shifts[i].Val, h.shifts[i].mirrored().Val
			as.swapped = min(l.swapped, 0.1)
			if as.density(h.shifts)-math.Log(float64(len(all)))-as.density(good) < math.Log(2/refused) {
				missed++
			}
		}
		if 2*missed > len(h.shifts) {
			out = append(out, h.mistake)
		}
	}
	return out
}

// Words is the verdict in a sentence or two.
func (v *Verdict) Words() string {
	switch {
	case v.Mistake != "":
		text := "look again: " + v.Mistake.Words()
		if v.Side == pump.SideA || v.Side == pump.SideB {
			text += fmt.Sprintf(", in stroke %s", map[pump.Side]string{pump.SideA: "A", pump.SideB: "B"}[v.Side])
		}
		for i, m := range v.Alternatives {
			text += map[bool]string{true: "; or else: ", false: "; or: "}[i == 0] + m.Words()
		}
		return text
	case v.Good:
		text := "right as new so far, compared with " + v.Against
		if v.Stage == BeddedIn {
			text = "right as new after bedding in, compared with " + v.Against
		}
		for i, m := range v.Unseen {
			text += map[bool]string{true: ". These sensors do not show it where ", false: "; where "}[i == 0] + m.Words()
		}
		return text
	}
	return "not judged: " + v.why
}
