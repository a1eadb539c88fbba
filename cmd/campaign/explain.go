package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"diastole/detect/baseline"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
)

// explanations tells of each case that did not come out as it should: what was told, how far the features were off, and which
// explanations stood at the end.
func explanations(trials []*trial) string {
	var b strings.Builder
	b.WriteString("# Cases that did not come out as they should\n")
	for _, t := range trials {
		if !t.good() {
			t.explain(&b)
		}
	}
	return b.String()
}

func (t *trial) explain(b *strings.Builder) {
	fmt.Fprintf(b, "\n## %s, case %d: %s, air flow meter %v, shown by the channels %v, worst statistic %.2f of its threshold\n\n",
		t.kind.name, t.n, t.Model, t.Meter, t.seen, t.worst)
	for _, x := range slices.Concat(t.tickets, t.advisory) {
		verb := "raised"
		if x.changed {
			verb = "changed"
		}
		fmt.Fprintf(b, "- day %.1f, size %.2f: %s %s%s side %s, probability %.2f, severity %.2f, statistic %.1f of %.1f\n",
			x.at.Sub(start).Hours()/24, x.size, verb, x.d.Fault, x.d.Cause, x.d.Side, x.d.Probability, x.d.Severity, x.d.Statistic, x.d.Threshold)
		for _, e := range x.d.Evidence {
			fmt.Fprintf(b, "  - %s %.4g where %.4g is expected (%+.1f)\n", e.Feature, e.Observed, e.Expected, e.Sigma)
		}
	}
	if t.bank == nil {
		fmt.Fprintf(b, "- never learned: epochs by state %v\n", t.states)
		return
	}
	b.WriteString("\nMean deviation of the last 12 epochs, in coordinates (in standard deviations):\n\n")
	n := len(t.deviations)
	for j := range baseline.Dim {
		var off, sigma []float64
		for _, d := range t.deviations[max(0, n-12):] {
			if d.has[j] {
				off, sigma = append(off, d.off[j]), append(sigma, d.sigma[j])
			}
		}
		if len(off) > 0 {
			c := t.bank.Healthy.Coef[j]
			fmt.Fprintf(b, "- %s %+.3f (%+.1f); offsets %.3f, noise %.3f\n", feature.ID(j), median(off), median(sigma), c.Spread, c.Noise)
		}
	}
	b.WriteString("\nLog-odds against the healthy pump at the end: ")
	b.WriteString(strings.Join(t.scores(), "; "))
	b.WriteString("\n")
}

// scores are the most probable explanations at the end, each with its log-odds against the healthy pump.
func (t *trial) scores() []string {
	hs, err := diagnose.Hypotheses(t.pump())
	if err != nil {
		return nil
	}
	v := t.bank.Verdict(kitOf)
	order := make([]int, len(hs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(v.Probability[b], v.Probability[a]) })
	var out []string
	for _, i := range order[:7] {
		if v.Probability[i] <= 0 {
			break
		}
		h := &hs[i]
		out = append(out, fmt.Sprintf("%s%s %s %.1f", h.Fault, h.Cause, h.Side, math.Log(v.Probability[i]/v.Healthy)))
	}
	return out
}

func median(x []float64) float64 {
	slices.Sort(x)
	return x[len(x)/2]
}
