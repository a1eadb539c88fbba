package main

import "slices"

// margin is how far off a change may be found, in observations (van den Burg and Williams 2020, arXiv 2003.06222, section 5).
const margin = 5

// f1 is the harmonic mean of precision, the share of changes found that any annotator marked, and of recall, the share of an annotator's
// changes that were found, averaged over the annotators. The first observation counts as a change to all, so that neither is ever
// undefined (the same source).
func f1(annotations [][]int, found []int) float64 {
	var all []int
	recall := 0.0
	for _, a := range annotations {
		a = withStart(a)
		all = append(all, a...)
		recall += float64(matched(a, found)) / float64(len(a)) / float64(len(annotations))
	}
	precision := float64(matched(withStart(all), found)) / float64(len(withStart(found)))
	return 2 * precision * recall / (precision + recall)
}

// matched counts the true changes that have one found within the margin, each found one serving once, nearest first.
func matched(truth, found []int) (n int) {
	left := withStart(found)
	for _, t := range truth {
		best := -1
		for i, x := range left {
			if d := abs(x - t); d <= margin && (best < 0 || d < abs(left[best]-t)) {
				best = i
			}
		}
		if best >= 0 {
			left = slices.Delete(left, best, best+1)
			n++
		}
	}
	return n
}

// covering is how well the segments found cover those of each annotator, on average: each true segment by the most similar one
// found, by the share of observations that they have in common, weighed by its length (Arbelaez et al. 2011, IEEE Trans. Pattern
// Anal. Mach. Intell. 33:898, for images; the same source for series). n is the number of observations.
func covering(annotations [][]int, found []int, n int) (c float64) {
	segments := append(withStart(found), n)
	for _, a := range annotations {
		truth := append(withStart(a), n)
		for i := range len(truth) - 1 {
			best := 0.0
			for k := range len(segments) - 1 {
				both := min(truth[i+1], segments[k+1]) - max(truth[i], segments[k])
				either := max(truth[i+1], segments[k+1]) - min(truth[i], segments[k])
				if both > 0 {
					best = max(best, float64(both)/float64(either))
				}
			}
			c += best * float64(truth[i+1]-truth[i]) / float64(n) / float64(len(annotations))
		}
	}
	return c
}

// withStart is the sorted set of changes with the first observation.
func withStart(changes []int) []int {
	out := append([]int{0}, changes...)
	slices.Sort(out)
	return slices.Compact(out)
}

func abs(x int) int { return max(x, -x) }

// middle sorts x, which is not empty, and gives its lower median.
func middle(x []int) int {
	slices.Sort(x)
	return x[(len(x)-1)/2]
}
