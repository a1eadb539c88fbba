// Package pelt finds the change points of a series that is at hand as a whole: a pump's history, where the charts of
// package chart watch it as it comes.
//
// The segmentation is the exact optimum of cost plus penalty (Killick, Fearnhead and Eckley 2012, J. Am. Stat. Assoc. 107:1590).
package pelt

// Cost is what segments of a series cost: twice the negative log-likelihood of the best parameters of each, up to a constant
// per observation. Splitting a segment must never cost more than leaving it whole.
type Cost interface {
	// Len is the number of observations.
	Len() int
	// Least is the smallest number of observations that a segment may have, at least 1.
	Least() int
	// Of is the cost of observations from to to-1, which are at least Least.
	Of(from, to int) float64
}

// Changes are the first observations of all segments but the first, in ascending order, of the segmentation whose sum of costs, and of the
// penalty for each change, is least. A penalty of (parameters of a segment + 1) * ln(Len) is Schwarz's criterion (Yao 1988,
// Stat. Probab. Lett. 6:181). A series that is shorter than two segments has no change.
func Changes(c Cost, penalty float64) []int {
	n, least := c.Len(), c.Least()
	if n < 2*least {
		return nil
	}
	best := make([]float64, n+1) // the least cost of observations 0 to t-1, with a penalty for each segment
	last := make([]int, n+1)     // where the last segment of that segmentation begins
	best[0] = -penalty
	type candidate struct{ start, until int }
	starts := []candidate{{0, n}}
	costs := make([]float64, 0, n)
	for t := least; t <= n; t++ {
		if s := t - least; s >= least {
			starts = append(starts, candidate{s, n})
		}
		costs = costs[:0]
		for i, s := range starts {
			cost := best[s.start] + c.Of(s.start, t)
			costs = append(costs, cost)
			if i == 0 || cost+penalty < best[t] {
				best[t], last[t] = cost+penalty, s.start
			}
		}
		// A start that costs more by now than one at t can win no more, once a segment that begins at t is long enough.
		kept := starts[:0]
		for i, s := range starts {
			if costs[i] > best[t] {
				s.until = min(s.until, t+least-1)
			}
			if t < s.until {
				kept = append(kept, s)
			}
		}
		starts = kept
	}
	var changes []int
	for t := last[n]; t > 0; t = last[t] {
		changes = append(changes, t)
	}
	for i, k := 0, len(changes)-1; i < k; i, k = i+1, k-1 {
		changes[i], changes[k] = changes[k], changes[i]
	}
	return changes
}
