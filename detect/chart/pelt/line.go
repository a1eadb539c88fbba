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

// Of is the sum of squares that the line leaves.
func (c *line) Of(from, to int) float64 {
	n := float64(to - from)
	middle := (float64(from)+float64(to)-1)/2 - float64(c.n)/2
	lever := n * (n*n - 1) / 12 // sum of squares of the indices about their middle
	left := c.about(0, from, to)
	if lever == 0 {
		return left / (c.sd * c.sd)
	}
	product := c.moment[to] - c.moment[from] - middle*(c.one[0][to]-c.one[0][from])
	return max(0, left-product*product/lever) / (c.sd * c.sd)
}
