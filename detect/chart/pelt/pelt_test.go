package pelt_test

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/detect/chart/pelt"
)

// partition is optimal partitioning without pruning (Jackson et al. 2005, IEEE Signal Process. Lett. 12:105): the least sum of costs
// with a penalty for each change.
func partition(c pelt.Cost, penalty float64) float64 {
	best := make([]float64, c.Len()+1)
	best[0] = -penalty
	for t := 1; t <= c.Len(); t++ {
		best[t] = math.Inf(1)
		for s := range t - c.Least() + 1 {
			best[t] = min(best[t], best[s]+c.Of(s, t)+penalty)
		}
	}
	return best[c.Len()]
}

func total(c pelt.Cost, penalty float64, changes []int) float64 {
	sum, from := penalty*float64(len(changes)), 0
	for _, to := range append(slices.Clone(changes), c.Len()) {
		sum += c.Of(from, to)
		from = to
	}
	return sum
}

// longer is a cost whose segments must be longer.
type longer struct {
	pelt.Cost
	least int
}

func (l longer) Least() int { return l.least }

// TestPruningIsExact: for any series, cost and penalty the segmentation costs as little as the best of all.
func TestPruningIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 60).Draw(t, "n")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		series := make([][]float64, rapid.IntRange(1, 3).Draw(t, "dimensions"))
		sd := make([]float64, len(series))
		for d := range series {
			level, size := 0.0, 1.0
			sd[d] = 0.5 + rng.Float64()
			for range n {
				if rng.IntN(8) == 0 {
					level, size = 4*rng.NormFloat64(), 0.2+2*rng.Float64()
				}
				x := level + size*rng.NormFloat64()
				if rng.IntN(4) == 0 {
					x = math.Round(x) // ties
				}
				series[d] = append(series[d], x)
			}
		}
		var c pelt.Cost = pelt.NewMean(series, sd)
		if rapid.Bool().Draw(t, "variance") {
			c = pelt.NewMeanVariance(series, []float64{1e-3, 1e-3, 1e-3}[:len(sd)])
		}
		if least := rapid.IntRange(0, 6).Draw(t, "least"); least > c.Least() && n >= 2*least {
			c = longer{c, least}
		}
		if n < 2*c.Least() {
			return
		}
		penalty := rapid.Float64Range(0, 30).Draw(t, "penalty")
		changes := pelt.Changes(c, penalty)
		from := 0
		for _, to := range append(slices.Clone(changes), n) {
			if to-from < c.Least() {
				t.Fatalf("segment %d to %d is shorter than %d", from, to, c.Least())
			}
			from = to
		}
		if got, want := total(c, penalty, changes), partition(c, penalty); got > want+1e-9*(1+math.Abs(want)) {
			t.Fatalf("costs %g, the best %g", got, want)
		}
	})
}

// TestSplittingIsCheap: what pruning rests on. A segment in two parts never costs more than as a whole.
func TestSplittingIsCheap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1e3, 1e3), 4, 30).Draw(t, "x")
		at := rapid.IntRange(2, len(x)-2).Draw(t, "at")
		for _, c := range []pelt.Cost{
			pelt.NewMean([][]float64{x}, []float64{1}), pelt.NewMeanVariance([][]float64{x}, []float64{0.01}),
		} {
			whole, parts := c.Of(0, len(x)), c.Of(0, at)+c.Of(at, len(x))
			if parts > whole+1e-6*(1+math.Abs(whole)) {
				t.Fatalf("%T: whole %g, in parts %g", c, whole, parts)
			}
		}
	})
}

// TestReview: a step in noise is found with its size, single lumps are not, and correlated noise is not cut to pieces.
func TestReview(t *testing.T) {
	const n, step = 240, 130
	for _, c := range []struct {
		name         string
		size, r      float64
		drift        float64 // over the whole history
		lumps        bool
		want, within int
	}{
		{name: "nothing"},
		{name: "a step of 3", size: 3, want: 1, within: 1},
		{name: "a step of 3 among lumps", size: 3, lumps: true, want: 1, within: 3},
		{name: "lumps", lumps: true},
		{name: "a drift", drift: 15},
		{name: "a step of 4 in a drift", drift: -15, size: 4, want: 1, within: 2},
		{name: "correlated noise", r: 0.7},
		{name: "a step of 6 in correlated noise", size: 6, r: 0.5, want: 1, within: 4},
	} {
		t.Run(c.name, func(t *testing.T) {
			const runs = 60
			right := 0
			for seed := range uint64(runs) {
				rng := rand.New(rand.NewPCG(seed, 2))
				x := make([]float64, n)
				noise := rng.NormFloat64()
				for i := range x {
					noise = c.r*noise + math.Sqrt(1-c.r*c.r)*rng.NormFloat64()
					x[i] = 100 + noise + c.drift*float64(i)/n
					if i >= step {
						x[i] += c.size
					}
					if c.lumps && rng.IntN(40) == 0 {
						x[i] += 30
					}
				}
				got := pelt.Review(x)
				ok := len(got) == c.want
				for _, g := range got {
					ok = ok && g.At >= step-c.within && g.At <= step+c.within && math.Abs(g.After-g.Before-c.size) < 1
				}
				if ok {
					right++
				}
			}
			if right < runs*8/10 {
				t.Errorf("right in %d of %d histories", right, runs)
			}
		})
	}
}

func TestReviewOfLittle(t *testing.T) {
	for _, x := range [][]float64{nil, {1}, {1, 2, 3, 4, 5, 6, 7, 8, 9}, make([]float64, 50)} {
		if got := pelt.Review(x); len(got) > 0 {
			t.Errorf("%v: %v", x, got)
		}
	}
}

// TestNile: the single change of the flow of the Nile is between 1897 and 1898, by the segmentation of least squares (R package
// strucchange 1.5-3, breakpoints(Nile ~ 1): after observation 28, BIC minimum at one break).
func TestNile(t *testing.T) {
	x := readNile(t)
	const sd = 125 // about the two levels: residual sum of squares 1597457 over 100 (the same source)
	got := pelt.Changes(pelt.NewMean(x, []float64{sd}), 2*math.Log(100))
	if diff := cmp.Diff([]int{28}, got); diff != "" {
		t.Error(diff)
	}
	review := pelt.Review(x[0])
	if len(review) != 1 || review[0].At != 28 {
		t.Errorf("review: %+v", review)
	}
}

func readNile(t *testing.T) [][]float64 {
	t.Helper()
	raw, err := os.ReadFile("../../../testdata/opendata/nile.csv")
	if err != nil {
		t.Fatal(err)
	}
	var x []float64
	for _, line := range strings.Fields(string(raw))[1:] {
		v, err := strconv.ParseFloat(line, 64)
		if err != nil {
			t.Fatal(err)
		}
		x = append(x, v)
	}
	return [][]float64{x}
}
