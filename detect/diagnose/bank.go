package diagnose

import (
	"cmp"
	"math"
	"slices"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// Bank weighs all hypotheses against the healthy pump, epoch by epoch. Its fields are exported to be stored.
type Bank struct {
	Healthy *baseline.Healthy
	// Threshold is the score that the false-ticket budget asks for.
	Threshold float64
	Filter    chart.Filter
	Tracks    []chart.Track
	// Visible tells which hypotheses the features at hand can show; the others are never claimed.
	Visible []bool
	Op        baseline.Op
	At        time.Time
}

// NewBank starts where learning ended.
func NewBank(h *baseline.Healthy, epochsPerYear, budget float64) *Bank {
	b := &Bank{
		Healthy: h, Filter: chart.NewFilter(h),
		Tracks: make([]chart.Track, len(hypotheses)), Visible: make([]bool, len(hypotheses)),
		Op: h.Last, At: h.At,
	}
	n := 0
	for i := range hypotheses {
		if b.Visible[i] = hypotheses[i].Effect.Visible(&h.Known); b.Visible[i] {
			n++
		}
	}
	b.Threshold = chart.Threshold(max(n, 1), epochsPerYear, budget)
	return b
}

var hypotheses = Hypotheses()

const (
	// Persistence is the least number of epochs that a ticket rests on: a lump that passes disturbs one or two.
	Persistence = 3
	// headroom is how far above the threshold a score may run, in thresholds: what bounds the time in which the bank
	// learns that a change has gone again.
	headroom = 3.0
)

// Update takes a finished epoch.
func (b *Bank) Update(at time.Time, o baseline.Observation) {
	mean, offsetVar := b.Healthy.Expect(o.Op)
	dt := at.Sub(b.At)
	keep := baseline.Keep(b.Op, o.Op, dt)
	b.Op, b.At = o.Op, at
	m := chart.Measurement{Var: b.Healthy.NoiseVar(o), SignFree: o.SignFree}
	for j := range baseline.Dim {
		m.Dev[j] = o.Val[j] - mean[j]
		m.Has[j] = o.Has[j] && b.Healthy.Known[j]
	}
	b.Filter.Move(keep, offsetVar, dt, nil)
	before := b.Filter
	healthy := b.Filter.Update(&m, nil)
	top := 0.0
	for i := range b.Tracks {
		if !b.Visible[i] {
			continue
		}
		tr, e := &b.Tracks[i], &hypotheses[i].Effect
		if tr.Epochs > 0 {
			tr.Filter.Move(keep, offsetVar, dt, e)
		}
		tr.Update(at, &m, e, healthy, b.Threshold/Persistence, &before)
		top = max(top, tr.Score(e))
	}
	if excess := top - headroom*b.Threshold; excess > 0 {
		for i := range b.Tracks {
			if tr := &b.Tracks[i]; tr.Epochs > 0 {
				tr.LogRatio -= excess
				if tr.Score(&hypotheses[i].Effect) <= 0 {
					*tr = chart.Track{}
				}
			}
		}
	}
}

// Verdict is what the bank thinks now.
type Verdict struct {
	// Best is the index of the most probable hypothesis, -1 where it is the healthy pump.
	Best int
	// FaultScore is the score of the best fault less that of the best cause, CauseScore the other way round.
	FaultScore, CauseScore float64
	// KitProbability is the probability of all faults that the same kit mends as the best fault's.
	KitProbability float64
	BestFault      int
	BestCause      int
	Probability    []float64 // of each hypothesis
}

// Verdict weighs the hypotheses as they stand.
func (b *Bank) Verdict(kitOf func(pump.Fault) pump.Kit) Verdict {
	v := Verdict{Best: -1, BestFault: -1, BestCause: -1, Probability: make([]float64, len(b.Tracks))}
	score := make([]float64, len(b.Tracks))
	top, sum := 0.0, 0.0
	for i := range b.Tracks {
		score[i] = b.Tracks[i].Score(&hypotheses[i].Effect)
		top = max(top, score[i])
	}
	for i, h := range hypotheses {
		if b.Tracks[i].Epochs == 0 {
			continue
		}
		v.Probability[i] = h.Odds * math.Exp(score[i]-top)
		sum += v.Probability[i]
		pick := &v.BestCause
		if h.IsFault() {
			pick = &v.BestFault
		}
		if *pick < 0 || score[i]+math.Log(h.Odds) > score[*pick]+math.Log(hypotheses[*pick].Odds) {
			*pick = i
		}
	}
	sum += math.Exp(-top) // the healthy pump
	best := math.Exp(-top) / sum
	for i := range v.Probability {
		v.Probability[i] /= sum
		if v.Probability[i] > best {
			v.Best, best = i, v.Probability[i]
		}
	}
	f, c := 0.0, 0.0
	if v.BestFault >= 0 {
		f = score[v.BestFault]
		kit := kitOf(hypotheses[v.BestFault].Fault)
		for i, h := range hypotheses {
			if h.IsFault() && kitOf(h.Fault) == kit {
				v.KitProbability += v.Probability[i]
			}
		}
	}
	for i, h := range hypotheses {
		if !h.IsFault() && h.Cause != pump.UnexplainedChange {
			c = max(c, score[i])
		}
	}
	v.FaultScore = f - c
	if v.BestCause >= 0 {
		v.CauseScore = score[v.BestCause] - f
	}
	return v
}

// Diagnosis puts hypothesis i into words and numbers, with the last epoch as evidence.
func (b *Bank) Diagnosis(v Verdict, i int, o baseline.Observation) Diagnosis {
	h, tr := hypotheses[i], &b.Tracks[i]
	d := Diagnosis{
		Likelihood: Likelihood{Fault: h.Fault, Cause: h.Cause, Side: h.Side, Probability: v.Probability[i]},
		Since:      tr.Since, Threshold: b.Threshold, Statistic: v.FaultScore,
	}
	if !h.IsFault() {
		d.Statistic = v.CauseScore
	}
	d.Severity, d.SeveritySE = tr.Size()
	for k, p := range v.Probability {
		if k != i && p >= 0.01 {
			a := hypotheses[k]
			d.Alternatives = append(d.Alternatives, Likelihood{Fault: a.Fault, Cause: a.Cause, Side: a.Side, Probability: p})
		}
	}
	slices.SortStableFunc(d.Alternatives, func(x, y Likelihood) int { return cmp.Compare(y.Probability, x.Probability) })
	d.Evidence = b.evidence(o)
	return d
}

// evidence lists the features that lie far from expectation, farthest first.
func (b *Bank) evidence(o baseline.Observation) []Evidence {
	mean, _ := b.Healthy.Expect(o.Op)
	sigma := b.Healthy.Sigma(o)
	var out []Evidence
	for j := range baseline.Dim {
		if !o.Has[j] || !b.Healthy.Known[j] {
			continue
		}
		f := feature.ID(j)
		z := (o.Val[j] - mean[j]) / sigma[j]
		if math.Abs(z) < 2 {
			continue
		}
		out = append(out, Evidence{
			Feature: f, Expected: baseline.Natural(f, mean[j]), Observed: baseline.Natural(f, o.Val[j]), Sigma: z,
		})
	}
	slices.SortStableFunc(out, func(x, y Evidence) int { return cmp.Compare(math.Abs(y.Sigma), math.Abs(x.Sigma)) })
	return out
}
