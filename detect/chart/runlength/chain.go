package runlength

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// chain is a chart as a Markov chain on states in which it has not signalled. State 0 is where it starts; no
// state returns to it.
type chain struct {
	// step has the probability of going from state i to state j at (i, j).
	step *mat.Dense
	// exit is the probability of a signal from each state. It is computed by itself and not as what the row of step leaves,
	// for it may be many orders below the rounding of that.
	exit []float64
}

// newChain makes a chain of n states. to writes the probabilities of one step from state i, and returns that of the signal.
func newChain(n int, to func(row []float64, i int) (exit float64)) chain {
	c := chain{step: mat.NewDense(n, n, nil), exit: make([]float64, n)}
	for i := range n {
		c.exit[i] = to(c.step.RawRowView(i), i)
	}
	return c
}

// nodes gives Gauss-Legendre nodes and weights on [lo, hi], enough of them for a normal kernel whose standard deviation is
// sd: twice as many change no ARL by more than 1e-10 of itself (TestEnoughNodes).
//
// They come in eights, for gonum v0.17.0 has a wrong weight among those for 26 nodes (TestQuadrature).
func nodes(lo, hi, sd float64) (x, w []float64) {
	n := 8 * (3 + int(math.Ceil(5*(hi-lo)/sd/8)))
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, lo, hi)
	return x, w
}

// mean is the expected number of steps from state 0 to the signal: the solution of L = 1 + step L.
//
// States are eliminated from the last to the first as by Grassmann, Taksar and Heyman (1985, Oper. Res. 33:1107),
// the signal being one more state: the probability of leaving a state is the sum of where it leads to, never one less the probability
// of staying. All terms are positive, so nothing cancels however rare the signal is (O'Cinneide 1996, Numer. Math. 73:507).
func (c chain) mean() float64 {
	n := len(c.exit)
	var q mat.Dense
	q.CloneFrom(c.step)
	exit := append([]float64(nil), c.exit...)
	visits := make([]float64, n)
	for i := range visits {
		visits[i] = 1
	}
	for k := n - 1; k > 0; k-- {
		from := q.RawRowView(k)[:k]
		leave := exit[k]
		for _, p := range from {
			leave += p
		}
		for i := range k {
			row := q.RawRowView(i)
			share := row[k] / leave
			if share == 0 {
				continue
			}
			for j, p := range from {
				row[j] += share * p
			}
			exit[i] += share * exit[k]
			visits[i] += share * visits[k]
		}
	}
	return visits[0] / exit[0]
}

// march follows the distribution over the states of a chart that has not signalled yet.
type march struct {
	at, next *mat.VecDense
}

// start stands in state 0 of a chain of n states.
func start(n int) *march {
	m := &march{at: mat.NewVecDense(n, nil), next: mat.NewVecDense(n, nil)}
	m.at.SetVec(0, 1)
	return m
}

// advance takes one step of chain c. It returns the probability of a signal in this step, and by how much the distribution of
// those that go on has changed (sum of absolute differences).
func (m *march) advance(c chain) (hazard, change float64) {
	for i, e := range c.exit {
		hazard += m.at.AtVec(i) * e
	}
	m.next.MulVec(c.step.T(), m.at)
	m.next.ScaleVec(1/mat.Sum(m.next), m.next)
	for i := range c.exit {
		change += math.Abs(m.next.AtVec(i) - m.at.AtVec(i))
	}
	m.at, m.next = m.next, m.at
	return hazard, change
}

// settled is the change per step below which the distribution of a chart that has not signalled is taken as final.
const settled = 1e-14

// density is the standard normal density, above the probability that a standard normal variable exceeds x.
func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

func above(x float64) float64 { return math.Erfc(x/math.Sqrt2) / 2 }
