package diagnose

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/floats"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/detect/robust"
	"diastole/model/pump"
)

// Bank weighs all hypotheses against the healthy pump, epoch by epoch. Its fields are exported to be stored.
type Bank struct {
	Healthy *baseline.Healthy
	// Threshold is the score against the healthy pump that the false-ticket budget asks for, Margin what it asks for against
	// the best cause. CauseThreshold and CauseMargin are what a cause needs to be told, against health and the best fault.
	Threshold, Margin, CauseThreshold, CauseMargin float64
	// Filter is the healthy pump's, Tracks are those of each hypothesis at each of its sizes.
	Filter chart.Filter
	Tracks [][]chart.Track
	// Visible tells which hypotheses the features at hand can show; the others are never claimed.
	Visible []bool
	// Recent are the last few epochs, the oldest first.
	Recent []Recent
	// Stalls are those against a shut valve.
	Stalls Stalls
	// Op and At are the operating point and the time of the last epoch.
	Op baseline.Op
	At time.Time

	hypotheses []Hypothesis
}

// Recent is one epoch: its deviations from expectation, with the variance of their noise.
type Recent struct {
	Dev, Var baseline.Vector
	Has      [baseline.Dim]bool
}

const (
	// window is how many recent epochs make the present level: their median forgets a lump that disturbs one or two.
	window = 5
	// Persistence is for how many epochs in a row there must be reason for a ticket, each time by the level of a whole window.
	Persistence = 2
	// headroom is how far above the threshold a score may run, in thresholds: it bounds the time in which the bank
	// learns that a change has gone again.
	headroom = 3.0
	// healthyOdds is the prior probability of the healthy pump relative to those of all explanations of a change, which add up
	// to about two: most epochs are of healthy pumps.
	healthyOdds = 100.0
	// backOdds is the same after a change that the path of the epochs leaves no doubt of: a lump passes, a valve is turned back.
	backOdds = 3.0
	// processChanges is how many times a year something outside the pump changes by so much that it could be taken for wear:
	// about once a month (common practice).
	processChanges = 12.0
	// looks is how many needless advisories a pump may bring for each needless ticket: they ask for a look and not for a teardown
	// (common practice).
	looks = 20.0
)

// NewBank starts where learning ended. The pump brings epochsPerYear epochs a year, of which budget may be false tickets.
func NewBank(h *baseline.Healthy, hypotheses []Hypothesis, epochsPerYear, budget float64) *Bank {
	b := &Bank{
		Healthy: h, Filter: chart.NewFilter(h), Op: h.Last, At: h.At, hypotheses: hypotheses,
		Tracks: make([][]chart.Track, len(hypotheses)), Visible: make([]bool, len(hypotheses)),
	}
	for i := range hypotheses {
		b.Tracks[i] = make([]chart.Track, len(hypotheses[i].Effects))
		b.Visible[i] = hypotheses[i].Visible(&h.Known)
	}
	// Half of the budget is for the healthy pump, which is tried at every epoch and looked at in two ways (see weight), half
	// for process changes, which are few. All hypotheses and their sizes are one chart: they are mixed, not chosen from.
	b.Threshold = chart.Threshold(2, epochsPerYear, budget/2)
	b.Margin = max(0, chart.Threshold(1, processChanges, budget/2))
	b.CauseThreshold = chart.Threshold(2, epochsPerYear, looks*budget/2)
	b.CauseMargin = max(0, chart.Threshold(1, processChanges, looks*budget/2))
	return b
}

// Use gives a restored bank its hypotheses again, which are not stored with it. It fails where the bank follows others, as
// after a change of the signatures.
func (b *Bank) Use(hypotheses []Hypothesis) error {
	fits := b.Healthy != nil && len(b.Tracks) == len(hypotheses) && len(b.Visible) == len(hypotheses)
	for i := 0; fits && i < len(hypotheses); i++ {
		fits = len(b.Tracks[i]) == len(hypotheses[i].Effects)
	}
	if !fits {
		return fmt.Errorf("the bank follows %d hypotheses that are not the %d of this program", len(b.Tracks), len(hypotheses))
	}
	b.hypotheses = hypotheses
	return nil
}

// Update takes a finished epoch.
func (b *Bank) Update(at time.Time, o baseline.Observation) {
	mean, offsetVar := b.Healthy.Expect(o.Op)
	dt := at.Sub(b.At)
	keep := baseline.Keep(b.Op, o.Op, dt)
	b.Op, b.At = o.Op, at
	m := chart.Measurement{
		Var: b.Healthy.NoiseVar(o), OffsetVar: offsetVar, Unseen: chart.UnseenChange(dt), Swap: swap(o.SignFree),
	}
	mirrored := o.Mirrored()
	for j := range baseline.Dim {
		m.Dev[j], m.Mirrored[j] = o.Val[j]-mean[j], mirrored.Val[j]-mean[j]
		m.Has[j] = o.Has[j] && b.Healthy.Known[j]
	}
	var none chart.Effect
	b.Filter.Move(keep, &offsetVar, &none)
	before := b.Filter
	healthy := b.Filter.Update(&m, &none)
	if b.top() > b.Threshold {
		b.Filter.Hold(&before) // what stands is not the level that was learned, however long it does
	}
	b.remember(&m)
	top := 0.0
	for i := range b.Tracks {
		if !b.Visible[i] {
			continue
		}
		for k := range b.Tracks[i] {
			tr, e := &b.Tracks[i][k], &b.hypotheses[i].Effects[k]
			if tr.Epochs > 0 {
				tr.Filter.Move(keep, &offsetVar, e)
			}
			tr.Update(at, &m, e, healthy, &before)
			top = max(top, tr.Score)
		}
	}
	if excess := top - headroom*b.Threshold; excess > 0 {
		for i := range b.Tracks {
			for k := range b.Tracks[i] {
				b.Tracks[i][k].Lower(excess)
			}
		}
	}
}

// top is the largest score of a single track.
func (b *Bank) top() float64 {
	top := 0.0
	for i := range b.Tracks {
		for k := range b.Tracks[i] {
			top = max(top, b.Tracks[i][k].Score)
		}
	}
	return top
}

// remember keeps an epoch for the present level, A and B named as the healthy filter finds them.
func (b *Bank) remember(m *chart.Measurement) {
	r := Recent{Dev: m.Dev, Var: m.Var, Has: m.Has}
	if b.Filter.Swapped {
		r.Dev = m.Mirrored
	}
	if len(b.Recent) == window {
		copy(b.Recent, b.Recent[1:])
		b.Recent = b.Recent[:window-1]
	}
	b.Recent = append(b.Recent, r)
}

// level is where the pump is now: per coordinate the median deviation of the recent epochs and the variance of its noise.
// A coordinate that most of them lack is not part of it.
func (b *Bank) level() (l Recent) {
	var values [window]float64
	for j := range baseline.Dim {
		x, sum := values[:0], 0.0
		for i := range b.Recent {
			if r := &b.Recent[i]; r.Has[j] {
				x = append(x, r.Dev[j])
				sum += r.Var[j]
			}
		}
		if n := float64(len(x)); len(x) > window/2 {
			// The variance of a median of normal values is pi/2 that of their mean.
			l.Dev[j], l.Var[j], l.Has[j] = robust.Median(x, nil), math.Pi/2*sum/(n*n), true
		}
	}
	return l
}

// swap is the probability that A and B are named otherwise than in the epoch before. Parity of a counter that is read
// once a second, with a delay that is not known to a stroke, may slip when the rate changes.
func swap(free bool) float64 {
	if free {
		return 0.5
	}
	return 0.01
}

// weight is the evidence for one hypothesis, its sizes mixed, each as probable as the next.
type weight struct {
	// path is the log-likelihood ratio against the healthy pump of the epochs since a change, each predicted from those before.
	// It sees changes as they come, and adds up over regimes.
	path float64
	// level is that of the present level as a whole. It sees what grew so slowly within a regime that the healthy pump's filter
	// went along; and by it hypotheses are told apart, for it is the same question to all of them. Paths are not: which filter
	// goes along with a growing change at what price is chance.
	level float64
	// best is the size most in evidence; size and sd are mean and standard deviation over the sizes.
	best     int
	size, sd float64
}

// against is the evidence of all faults, or of all causes, against the healthy pump, which the budget of false tickets is about:
// of each the path or the level, whichever says more, mixed by their prior odds. The path is tried anew at every epoch, the
// level with every window of them: it needs as much less.
func (b *Bank) against(weights []weight, faults bool) float64 {
	var x []float64
	odds := 0.0
	for i := range weights {
		if h := &b.hypotheses[i]; b.Visible[i] && h.IsFault() == faults {
			x = append(x, max(weights[i].path, weights[i].level+math.Log(window))+math.Log(h.Odds))
			odds += h.Odds
		}
	}
	return floats.LogSumExp(x) - math.Log(odds)
}

// weigh gathers the evidence for hypothesis i.
func (b *Bank) weigh(i int, now *Recent, offsetVar *baseline.Vector) weight {
	tracks, effects := b.Tracks[i], b.hypotheses[i].Effects
	healthy := fit(now, &chart.Effect{}, offsetVar)
	rate := b.usualRate()
	var w weight
	levels, paths := make([]float64, len(tracks)), make([]float64, len(tracks))
	for k := range tracks {
		paths[k] = tracks[k].Score
		levels[k] = fit(now, &effects[k], offsetVar) - healthy + b.Stalls.creepEvidence(&b.hypotheses[i], &effects[k], rate, b.At)
		if levels[k] > levels[w.best] {
			w.best = k
		}
	}
	var sum, s1, s2 float64
	for k := range tracks {
		p := math.Exp(levels[k] - levels[w.best])
		sum += p
		s1 += p * effects[k].Size
		s2 += p * effects[k].Size * effects[k].Size
	}
	w.path = max(0, logMeanExp(paths))
	w.level = logMeanExp(levels)
	w.size = s1 / sum
	w.sd = math.Sqrt(max(0, s2/sum-w.size*w.size))
	return w
}

// usualRate is the stroke rate that the healthy pump has at the present operating point, 1/s.
func (b *Bank) usualRate() float64 {
	mean, _ := b.Healthy.Expect(b.Op)
	return baseline.Natural(feature.StrokeRate, mean[feature.StrokeRate])
}

// logMeanExp is the logarithm of the mean of e^x. Where each x is a CUSUM of log-likelihood ratios, the mean run length of a
// chart of a mean, weighted or not, is at least e to the threshold, as of a chart of one: that mean of the statistics of
// Shiryaev and Roberts, which lie above, less the count of epochs is a martingale (Pollak 1985, Ann. Stat. 13:206).
func logMeanExp(x []float64) float64 { return floats.LogSumExp(x) - math.Log(float64(len(x))) }

// fit is the log density of the present level under what an effect and the regimes allow.
func fit(now *Recent, e *chart.Effect, offsetVar *baseline.Vector) float64 {
	q, logDet, n := 0.0, 0.0, 0
	for j := range baseline.Dim {
		if now.Has[j] {
			v := offsetVar[j] + now.Var[j] + e.Spread[j]*e.Spread[j] + e.Scatter[j]*e.Scatter[j]*math.Pi/2/window
			d := now.Dev[j] - e.Mean[j]
			q += d * d / v
			logDet += math.Log(v)
			n++
		}
	}
	density, _ := baseline.TDensity(q, logDet, n)
	return density
}

// Verdict is what the bank thinks now. Indices of hypotheses are -1 where there is none.
type Verdict struct {
	// BestFault and BestCause are the most probable ones.
	BestFault, BestCause int
	// FaultScore is the score of a fault, to be held against the bank's Threshold: that of all faults against the healthy pump,
	// or that of the best one against the best known cause raised by Threshold-Margin, whichever is smaller. CauseScore is
	// that of a cause, likewise, to be held against CauseThreshold.
	FaultScore, CauseScore float64
	// KitProbability is the probability of all faults that the same kit mends as the best fault.
	KitProbability float64
	// Healthy is the probability of the healthy pump, Probability that of each hypothesis.
	Healthy     float64
	Probability []float64
	// Level is the evidence of the present level for each hypothesis against the healthy pump, minus infinity for those that
	// can not be seen.
	Level []float64
}

// Verdict weighs the hypotheses as they stand.
func (b *Bank) Verdict(kitOf func(pump.Fault) pump.Kit) Verdict {
	n := len(b.hypotheses)
	v := Verdict{BestFault: -1, BestCause: -1, Probability: make([]float64, n), Level: make([]float64, n)}
	if len(b.Recent) == 0 {
		v.Healthy = 1
		return v
	}
	_, offsetVar := b.Healthy.Expect(b.Op)
	now := b.level()
	weights := make([]weight, n)
	top := 0.0
	for i := range b.hypotheses {
		v.Probability[i], v.Level[i] = math.Inf(-1), math.Inf(-1)
		if b.Visible[i] {
			weights[i] = b.weigh(i, &now, &offsetVar)
			v.Level[i] = weights[i].level
			v.Probability[i] = weights[i].level + math.Log(b.hypotheses[i].Odds)
			top = max(top, v.Probability[i])
		}
	}
	path := 0.0
	for i := range weights {
		path = max(path, weights[i].path)
	}
	v.Healthy = max(backOdds, healthyOdds*math.Exp(-path)) * math.Exp(-top)
	sum := v.Healthy
	rival := 0.0 // the best known cause, or health
	for i := range v.Probability {
		v.Probability[i] = math.Exp(v.Probability[i] - top)
		sum += v.Probability[i]
		h := &b.hypotheses[i]
		if !b.Visible[i] {
			continue
		}
		best := &v.BestCause
		if h.IsFault() {
			best = &v.BestFault
		} else if h.Cause != pump.UnexplainedChange {
			rival = max(rival, weights[i].level)
		}
		if *best < 0 || v.Probability[i] > v.Probability[*best] {
			*best = i
		}
	}
	v.Healthy /= sum
	for i := range v.Probability {
		v.Probability[i] /= sum
	}
	fault := 0.0
	if v.BestFault >= 0 {
		w := weights[v.BestFault]
		fault = max(0, w.level)
		v.FaultScore = min(b.against(weights, true), w.level-rival+b.Threshold-b.Margin)
		kit := kitOf(b.hypotheses[v.BestFault].Fault)
		for i, h := range b.hypotheses {
			if h.IsFault() && kitOf(h.Fault) == kit {
				v.KitProbability += v.Probability[i]
			}
		}
	}
	if v.BestCause >= 0 {
		w := weights[v.BestCause]
		v.CauseScore = min(b.against(weights, false), w.level-fault+b.CauseThreshold-b.CauseMargin)
	}
	return v
}

// Supports reports whether the present level speaks for one of the hypotheses that match: it explains the pump better than
// health does, and nothing explains it better by the Margin. What was told stands as long as that is so, though it might not
// be enough to tell it now.
func (b *Bank) Supports(v Verdict, match func(*Hypothesis) bool) bool {
	best, own := 0.0, math.Inf(-1)
	for i := range v.Level {
		best = max(best, v.Level[i])
		if match(&b.hypotheses[i]) {
			own = max(own, v.Level[i])
		}
	}
	return own > 0 && own >= best-b.Margin
}
