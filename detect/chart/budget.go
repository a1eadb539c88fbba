package chart

import "math"

// Threshold is the score above which a change is told, for a number of charts that take epochsPerYear epochs a year,
// so that together they give at most budget false alarms in a year of the healthy pump.
//
// The score is a CUSUM of likelihood ratios whose mean under the healthy pump is at most one, so its mean time to a
// false alarm is at least exp(threshold) epochs, as far as the healthy model is right (Lorden 1971, Ann. Math. Stat. 42:1897, theorem 2).
// A likelihood ratio that is looked at anew each epoch exceeds the threshold with a probability of at most
// exp(-threshold) a look (Markov's inequality), which comes to the same budget; and one that is followed from a change
// of the process on exceeds it ever with no more than that probability (Ville 1939, Etude critique de la notion de
// collectif), so that for the margin against a cause the "epochs" are the changes of a year.
func Threshold(charts int, epochsPerYear, budget float64) float64 {
	return math.Log(float64(charts) * epochsPerYear / budget)
}
