package diagnose

import (
	"fmt"
	"math"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/model/pump"
)

// Bank weighs all hypotheses against the healthy pump, epoch by epoch. Its fields are exported to be stored.
type Bank struct {
	Healthy *baseline.Healthy
	// Threshold is the score that the false-ticket budget asks for.
	Threshold float64
	// Filter is the healthy pump's, Tracks are those of each hypothesis at each of its sizes.
	Filter chart.Filter
	Tracks [][]chart.Track
	// Visible tells which hypotheses the features at hand can show; the others are never claimed.
	Visible []bool
	// Op and At are the operating point and the time of the last epoch.
	Op baseline.Op
	At time.Time

	hypotheses []Hypothesis
}

const (
	// Persistence is the least number of epochs that a ticket rests on: a lump that passes disturbs one or two.
	Persistence = 3
	// headroom is how far above the threshold a score may run, in thresholds: it bounds the time in which the bank
	// learns that a change has gone again.
	headroom = 3.0
)

// NewBank starts where learning ended. The pump brings epochsPerYear epochs a year, of which budget may be false tickets.
func NewBank(h *baseline.Healthy, hypotheses []Hypothesis, epochsPerYear, budget float64) *Bank {
	b := &Bank{
		Healthy: h, Filter: chart.NewFilter(h), Op: h.Last, At: h.At, hypotheses: hypotheses,
		Tracks: make([][]chart.Track, len(hypotheses)), Visible: make([]bool, len(hypotheses)),
	}
	charts := 0
	for i := range hypotheses {
		b.Tracks[i] = make([]chart.Track, len(hypotheses[i].Effects))
		if b.Visible[i] = hypotheses[i].Visible(&h.Known); b.Visible[i] {
			charts += len(hypotheses[i].Effects)
		}
	}
	b.Threshold = chart.Threshold(max(charts, 1), epochsPerYear, budget)
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

// swap is the probability that A and B are named otherwise than in the epoch before. Parity of a counter that is read
// once a second, with a delay that is not known to a stroke, may slip when the rate changes.
func swap(free bool) float64 {
	if free {
		return 0.5
	}
	return 0.01
}

// weight is the evidence for one hypothesis.
type weight struct {
	// dynamic is the log-likelihood ratio of the epochs against the healthy pump, each predicted from those before: what
	// the budget of false tickets is about. total adds how well the present deviation itself fits: a filter follows
	// whatever grows slowly, at a small price per epoch, and must not end where its hypothesis never goes.
	dynamic, total float64
	// best is the size most in evidence, -1 where none is; size and sd are mean and standard deviation over the sizes.
	best     int
	size, sd float64
}

// weigh sums the evidence for hypothesis i over its sizes, each as probable as the next.
func (b *Bank) weigh(i int) weight {
	tracks, effects := b.Tracks[i], b.hypotheses[i].Effects
	_, offsetVar := b.Healthy.Expect(b.Op)
	healthy := b.fit(&b.Filter, &chart.Effect{}, &offsetVar)
	w := weight{best: -1}
	totals := make([]float64, len(tracks))
	for k := range tracks {
		if tracks[k].Epochs == 0 {
			continue
		}
		totals[k] = tracks[k].Score + b.fit(&tracks[k].Filter, &effects[k], &offsetVar) - healthy
		if w.best < 0 || totals[k] > totals[w.best] {
			w.best = k
		}
	}
	if w.best < 0 {
		return w
	}
	var sum, s1, s2 float64
	for k := range tracks {
		if tracks[k].Epochs > 0 {
			p := math.Exp(totals[k] - totals[w.best])
			sum += p
			s1 += p * effects[k].Size
			s2 += p * effects[k].Size * effects[k].Size
		}
	}
	share := math.Log(sum / float64(len(tracks)))
	w.dynamic, w.total = tracks[w.best].Score+share, totals[w.best]+share
	w.size = s1 / sum
	w.sd = math.Sqrt(max(0, s2/sum-w.size*w.size))
	return w
}

// fit is the log density of a filter's present deviations under what its effect and the regimes allow.
func (b *Bank) fit(f *chart.Filter, e *chart.Effect, offsetVar *baseline.Vector) float64 {
	q, logDet, n := 0.0, 0.0, 0
	for j := range baseline.Dim {
		if b.Healthy.Known[j] {
			v := offsetVar[j] + e.Spread[j]*e.Spread[j]
			d := f.X[j] - e.Mean[j]
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
	// FaultScore is the score of the best fault less that of the best known cause, CauseScore the other way round.
	FaultScore, CauseScore float64
	// KitProbability is the probability of all faults that the same kit mends as the best fault.
	KitProbability float64
	// Healthy is the probability of the healthy pump, Probability that of each hypothesis.
	Healthy     float64
	Probability []float64
}

// Verdict weighs the hypotheses as they stand.
func (b *Bank) Verdict(kitOf func(pump.Fault) pump.Kit) Verdict {
	n := len(b.hypotheses)
	v := Verdict{BestFault: -1, BestCause: -1, Probability: make([]float64, n)}
	weights := make([]weight, n)
	top := 0.0
	for i := range b.hypotheses {
		weights[i] = b.weigh(i)
		v.Probability[i] = math.Inf(-1)
		if weights[i].best >= 0 {
			v.Probability[i] = weights[i].total + math.Log(b.hypotheses[i].Odds)
			top = max(top, v.Probability[i])
		}
	}
	v.Healthy = math.Exp(-top)
	sum := v.Healthy
	rival := 0.0 // the best known cause, or health
	for i := range v.Probability {
		v.Probability[i] = math.Exp(v.Probability[i] - top)
		sum += v.Probability[i]
		h := &b.hypotheses[i]
		if weights[i].best < 0 {
			continue
		}
		best := &v.BestCause
		if h.IsFault() {
			best = &v.BestFault
		} else if h.Cause != pump.UnexplainedChange {
			rival = max(rival, weights[i].total)
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
		fault = max(0, w.total)
		v.FaultScore = min(w.dynamic, w.total-rival)
		kit := kitOf(b.hypotheses[v.BestFault].Fault)
		for i, h := range b.hypotheses {
			if h.IsFault() && kitOf(h.Fault) == kit {
				v.KitProbability += v.Probability[i]
			}
		}
	}
	if v.BestCause >= 0 {
		w := weights[v.BestCause]
		v.CauseScore = min(w.dynamic, w.total-fault)
	}
	return v
}
