package pelt

// line is the cost of normal observations about a straight line of a segment's own, in a known standard deviation: the sum of squares about
// the line of least squares.
type line struct {
	sums
	// moment are the running totals of the observations times their index.
	moment []float64
	sd     float64
	least  int
}

func newLine(x []float64, sd float64, least int) *line {
	s := newSums([][]float64{x})
	c := &line{sums: s, moment: make([]float64, s.n+1), sd: sd, least: least}
	for i := range s.n {
		c.moment[i+1] = c.moment[i] + (s.one[0][i+1]-s.one[0][i])*(float64(i)-float64(s.n)/2)
	}
	return c
}

func (c *line) Len() int   { return c.n }
func (c *line) Least() int { return c.least }

func (c *line) Of(from, to int) float64 {
	_, left := c.fit(from, to)
	return left / (c.sd * c.sd)
}

// fit is the slope of the line, and the sum of squares that it leaves.
func (c *line) fit(from, to int) (slope, left float64) {
	n := float64(to - from)
	middle := (float64(from)+float64(to)-1)/2 - float64(c.n)/2
	lever := n * (n*n - 1) / 12 // sum of squares of the indices about their middle
	left = c.about(0, from, to)
	if lever == 0 {
		return 0, left
	}
	product := c.moment[to] - c.moment[from] - middle*(c.one[0][to]-c.one[0][from])
	slope = product / lever
	return slope, max(0, left-slope*product)
}
