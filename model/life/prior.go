package life

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/optimize"
)

// Prior is what is believed of the lives of a kind of part before any is seen: that half of them outlive Median, give or take a
// factor, and a shape likewise. A factor f means that the logarithm is normal with a standard deviation of ln f.
type Prior struct {
	Median, MedianFactor float64
	Shape, ShapeFactor   float64
}

// Belief is a Weibull distribution of which scale and shape are not known for sure: a mixture of possible ones. The zero value is
// no belief.
type Belief struct {
	// Failures is how many failures it has learned from, Units how many units.
	Failures, Units int
	nodes           []node
	// table holds densities at lives of exp((first+k)/tableSteps).
	first float64
	table []float64
}

type node struct {
	Weibull
	weight float64
}

// gridSteps is how many values of each parameter a belief is made of, gridReach how far it reaches about the most probable one,
// in standard deviations.
const (
	gridSteps = 25
	gridReach = 4.0
)

// Posterior weighs the prior with the units that were watched, by Bayes' rule on a grid about the most probable scale and shape.
// Without units it is the prior itself. It fails on a prior whose median or shape is not above 0 or whose factors are not above 1,
// and on a life that is not above 0.
func (p Prior) Posterior(units []Unit) (Belief, error) {
	if !(p.Median > 0 && p.Shape > 0 && p.MedianFactor > 1 && p.ShapeFactor > 1) {
		return Belief{}, fmt.Errorf("prior %+v: median and shape must be above 0 and factors above 1", p)
	}
	b := Belief{Units: len(units)}
	for i, u := range units {
		if !(u.Life > 0) || math.IsInf(u.Life, 1) {
			return Belief{}, fmt.Errorf("unit %d has a life of %v; it must be above 0 and finite", i, u.Life)
		}
		if u.Failed {
			b.Failures++
		}
	}
	// Standard normal coordinates of the prior: x[0] of the median, x[1] of the shape.
	at := func(x []float64) Weibull {
		w := Weibull{Shape: p.Shape * math.Exp(x[1]*math.Log(p.ShapeFactor))}
		w.Scale = p.Median * math.Exp(x[0]*math.Log(p.MedianFactor)) * math.Pow(math.Ln2, -1/w.Shape)
		return w
	}
	minus := func(x []float64) float64 { return (x[0]*x[0]+x[1]*x[1])/2 - logLikelihood(at(x), units) }
	mode := []float64{0, 0}
	if len(units) > 0 {
		// The simplex needs no derivatives and takes the same steps every time.
		r, err := optimize.Minimize(optimize.Problem{Func: minus}, mode, nil, &optimize.NelderMead{})
		if err != nil {
			return Belief{}, fmt.Errorf("find the most probable life: %w", err)
		}
		mode = r.X
	}
	sd := [2]float64{width(minus, mode, 0), width(minus, mode, 1)}
	least := minus(mode)
	sum := 0.0
	for i := range gridSteps {
		for j := range gridSteps {
			step := func(k int) float64 { return gridReach * (2*float64(k)/(gridSteps-1) - 1) }
			x := []float64{mode[0] + sd[0]*step(i), mode[1] + sd[1]*step(j)}
			if weight := math.Exp(least - minus(x)); weight > 1e-9 {
				b.nodes = append(b.nodes, node{at(x), weight})
				sum += weight
			}
		}
	}
	for i := range b.nodes {
		b.nodes[i].weight /= sum
	}
	b.tabulate()
	return b, nil
}

// width is the distance from the mode along a coordinate at which the density has fallen by exp(-1/2), at most that of the prior:
// it is a standard deviation where the posterior is normal.
func width(minus func([]float64) float64, mode []float64, k int) float64 {
	least := minus(mode)
	far := 0.0
	for _, sign := range []float64{-1, 1} {
		low, high := 0.0, 2.0
		for range 40 {
			mid := (low + high) / 2
			x := []float64{mode[0], mode[1]}
			x[k] += sign * mid
			if minus(x)-least < 0.5 {
				low = mid
			} else {
				high = mid
			}
		}
		far = max(far, low)
	}
	return far * correlated
}

// correlated widens the grid for a posterior in which median and shape are bound together: along a coordinate it is then narrower
// than it is as a whole.
const correlated = 1.5

// Known tells that there is a belief at all.
func (b Belief) Known() bool { return len(b.nodes) > 0 }

// Survival is the share of parts that is believed to outlive t.
func (b Belief) Survival(t float64) float64 {
	sum := 0.0
	for i := range b.nodes {
		sum += b.nodes[i].weight * b.nodes[i].Survival(t)
	}
	return sum
}

// tableSteps is how many steps of the logarithm of a life a table of densities has for each factor of e.
const tableSteps = 16

// tabulate prepares Density, which is asked for by the thousand.
func (b *Belief) tabulate() {
	least, most := math.Inf(1), 0.0
	logs := make([]float64, len(b.nodes)) // of the scales
	for i, n := range b.nodes {
		logs[i] = math.Log(n.Scale)
		least = min(least, n.Quantile(1e-5))
		most = max(most, n.Quantile(1-1e-9))
	}
	b.first = math.Floor(math.Log(least) * tableSteps)
	for k := b.first; k <= math.Log(most)*tableSteps+1; k++ {
		t, sum := math.Exp(k/tableSteps), 0.0
		for i := range b.nodes {
			n := &b.nodes[i]
			h := math.Exp(n.Shape * (k/tableSteps - logs[i]))
			sum += n.weight * n.Shape / t * h * math.Exp(-h)
		}
		b.table = append(b.table, sum)
	}
}

// Density is the probability density of a life t, to within a few per cent between the steps of a table; 0 outside of it.
func (b Belief) Density(t float64) float64 {
	x := math.Log(t)*tableSteps - b.first
	if !(x >= 0 && x < float64(len(b.table)-1)) {
		return 0
	}
	k := int(x)
	return b.table[k] + (x-float64(k))*(b.table[k+1]-b.table[k])
}

// Reliability is the probability that a part of an age lasts another stretch; 0 for a part older than any is believed to become.
func (b Belief) Reliability(age, more float64) float64 {
	s := b.Survival(max(0, age))
	if s <= 0 {
		return 0
	}
	return b.Survival(max(0, age)+max(0, more)) / s
}

// Remaining is the p quantile, 0 < p < 1, of how much longer a part of an age lasts.
func (b Belief) Remaining(age, p float64) float64 {
	low, high := 0.0, 1.0
	for b.Reliability(age, high) > 1-p {
		low = high
		if high *= 2; math.IsInf(high, 1) {
			return high
		}
	}
	for range 100 {
		mid := low + (high-low)/2
		if b.Reliability(age, mid) > 1-p {
			low = mid
		} else {
			high = mid
		}
	}
	return low + (high-low)/2
}

// Typical is a single Weibull distribution to stand for the belief where one is asked for: the weighted medians of shape and scale.
func (b Belief) Typical() Weibull {
	median := func(of func(node) float64) float64 {
		nodes := append([]node(nil), b.nodes...)
		sort.SliceStable(nodes, func(i, j int) bool { return of(nodes[i]) < of(nodes[j]) })
		sum := 0.0
		for _, n := range nodes {
			if sum += n.weight; sum >= 0.5 {
				return of(n)
			}
		}
		return math.NaN()
	}
	return Weibull{median(func(n node) float64 { return n.Shape }), median(func(n node) float64 { return n.Scale })}
}
