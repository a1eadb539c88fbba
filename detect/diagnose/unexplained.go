package diagnose

import "diastole/model/pump"

// Unexplained is the probability, in a verdict of the bank, of a change of no known kind.
func (b *Bank) Unexplained(v Verdict) (p float64) {
	for i := range b.hypotheses {
		if b.hypotheses[i].Cause == pump.UnexplainedChange {
			p += v.Probability[i]
		}
	}
	return p
}
