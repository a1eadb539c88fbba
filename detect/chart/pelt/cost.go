package pelt

import "math"

// sums are running totals of a series of one or several dimensions, about its mean, so that little cancels.
type sums struct {
	n           int
	one, square [][]float64 // per dimension, n+1 each
}

// newSums takes the dimensions of a series, which are of the same length and at least one.
func newSums(series [][]float64) sums {
	if len(series) == 0 {
		panic("pelt: series has no dimension")
	}
	s := sums{n: len(series[0])}
	for _, x := range series {
		if len(x) != s.n {
			panic("pelt: dimensions of a series differ in length")
		}
		mean := 0.0
		for i, v := range x {
			mean += (v - mean) / float64(i+1)
		}
		one, square := make([]float64, s.n+1), make([]float64, s.n+1)
		for i, v := range x {
			d := v - mean
			one[i+1], square[i+1] = one[i]+d, square[i]+d*d
		}
		s.one, s.square = append(s.one, one), append(s.square, square)
	}
	return s
}

// about is the sum of squares of dimension d about its mean from observation from to to-1.
func (s *sums) about(d, from, to int) float64 {
	sum := s.one[d][to] - s.one[d][from]
	return max(0, s.square[d][to]-s.square[d][from]-sum*sum/float64(to-from))
}

// Mean is the cost of normal observations whose mean is a segment's own and whose standard deviation, one per dimension, is known: the sum of
// squares about the mean in standard deviations.
type Mean struct {
	sums
	sd []float64
}

// NewMean takes a series by its dimensions, each of the same length, and their standard deviations, which are positive. Another shape panics.
func NewMean(series [][]float64, sd []float64) *Mean {
	c := &Mean{sums: newSums(series), sd: sd}
	if len(sd) != len(series) {
		panic("pelt: not one standard deviation per dimension")
	}
	for _, s := range sd {
		if !(s > 0) {
			panic("pelt: standard deviation is not positive")
		}
	}
	return c
}

// Len is the number of observations.
func (c *Mean) Len() int { return c.n }

// Least is one observation.
func (c *Mean) Least() int { return 1 }

// Of is the cost of observations from to to-1.
func (c *Mean) Of(from, to int) (cost float64) {
	for d, sd := range c.sd {
		cost += c.about(d, from, to) / (sd * sd)
	}
	return cost
}

// MeanVariance is the cost of normal observations whose mean and variance are a segment's own, in each dimension: n ln(variance)
// + sum of squares / variance. A variance is not taken below a floor, for a segment of equal values would cost minus infinity.
type MeanVariance struct {
	sums
	floor []float64
}

// NewMeanVariance takes a series by its dimensions, each of the same length, and the least standard deviations that are believed of
// them, which are positive. Another shape panics.
func NewMeanVariance(series [][]float64, least []float64) *MeanVariance {
	m := NewMean(series, least)
	return &MeanVariance{m.sums, m.sd}
}

// Len is the number of observations.
func (c *MeanVariance) Len() int { return c.n }

// Least is two observations: one has no variance.
func (c *MeanVariance) Least() int { return 2 }

// Of is the cost of observations from to to-1.
func (c *MeanVariance) Of(from, to int) (cost float64) {
	n := float64(to - from)
	for d, floor := range c.floor {
		square := c.about(d, from, to)
		v := max(square/n, floor*floor)
		cost += n*math.Log(v) + square/v
	}
	return cost
}
