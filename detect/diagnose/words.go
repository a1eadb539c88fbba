package diagnose

import (
	"cmp"
	"math"
	"slices"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// sameFault is how probable a side must be, among those of its fault, to be named.
const sameFault = 0.9

// Diagnosis puts hypothesis i into words and numbers, with the last epoch as evidence.
func (b *Bank) Diagnosis(v Verdict, i int, o baseline.Observation) Diagnosis {
	h := b.hypotheses[i]
	_, offsetVar := b.Healthy.Expect(b.Op)
	now := b.level()
	w := b.weigh(i, &now, &offsetVar)
	tr := b.Tracks[i][w.best]
	if tr.Epochs == 0 {
		tr.Since, tr.Filter = b.At, b.Filter
	}
	d := Diagnosis{
		Likelihood: Likelihood{Fault: h.Fault, Cause: h.Cause, Side: h.Side},
		Severity:   w.size, SeveritySE: w.sd, Since: tr.Since,
		Threshold: b.Threshold, Statistic: v.FaultScore, Evidence: b.evidence(o),
	}
	if !h.IsFault() {
		d.Statistic, d.Threshold = v.CauseScore, b.CauseThreshold
	}
	d.Creep = b.Stalls.creep(&h, &h.Effects[w.best], b.usualRate(), b.At)
	d.Probability, d.Alternatives = b.alternatives(v, h)
	if tr.Filter.Swapped {
		d.Side = d.Side.Other()
	}
	if o.SignFree && d.Side != pump.SideBoth || h.IsFault() && v.Probability[i] < sameFault*d.Probability {
		d.Side = pump.SideUnknown
	}
	return d
}

// alternatives sums the probabilities over the sides of each explanation, gives that of h's and lists the others, most
// probable first.
func (b *Bank) alternatives(v Verdict, h Hypothesis) (own float64, others []Likelihood) {
	for k, p := range v.Probability {
		a := b.hypotheses[k]
		if a.Fault == h.Fault && a.Cause == h.Cause {
			own += p
			continue
		}
		i := slices.IndexFunc(others, func(l Likelihood) bool { return l.Fault == a.Fault && l.Cause == a.Cause })
		if i < 0 {
			i = len(others)
			others = append(others, Likelihood{Fault: a.Fault, Cause: a.Cause})
		}
		others[i].Probability += p
	}
	const worthNaming = 0.01
	others = slices.DeleteFunc(others, func(l Likelihood) bool { return l.Probability < worthNaming })
	slices.SortStableFunc(others, func(x, y Likelihood) int { return cmp.Compare(y.Probability, x.Probability) })
	return own, others
}

// evidence lists the features that lie far from expectation, farthest first.
func (b *Bank) evidence(o baseline.Observation) []Evidence {
	const far = 2.0 // standard deviations
	mean, _ := b.Healthy.Expect(o.Op)
	sigma := b.Healthy.Sigma(o)
	var out []Evidence
	for j := range baseline.Dim {
		if !o.Has[j] || !b.Healthy.Known[j] {
			continue
		}
		f := feature.ID(j)
		if z := (o.Val[j] - mean[j]) / sigma[j]; math.Abs(z) >= far {
			out = append(out, Evidence{
				Feature: f, Expected: baseline.Natural(f, mean[j]), Observed: baseline.Natural(f, o.Val[j]), Sigma: z,
			})
		}
	}
	slices.SortStableFunc(out, func(x, y Evidence) int { return cmp.Compare(math.Abs(y.Sigma), math.Abs(x.Sigma)) })
	return out
}
