package chart

import "math"

// Threshold is the score above which a change is told, for a number of charts that take epochsPerYear epochs a year,
// so that together they give at most budget false alarms in a year of the healthy pump.
//
// The score is a CUSUM of likelihood ratios whose mean under the healthy pump is at most one, so its mean time to a
// false alarm is at least exp(threshold) epochs, whatever the distribution (Lorden 1971, Ann. Math. Stat. 42:1897, theorem 2).
func Threshold(charts int, epochsPerYear, budget float64) float64 {
	return math.Log(float64(charts) * epochsPerYear / budget)
}
