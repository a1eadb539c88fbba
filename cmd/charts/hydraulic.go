package main

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"

	"diastole/detect/chart"
	"diastole/detect/robust"
)

// The rig's pump is judged as the pumps of this program are: by what it delivers and draws at its operating point.
var (
	rigFeatures = []string{"fs1", "eps1"} // flow, motor power
	rigPoint    = []string{"ts1", "ps1"}  // oil temperature, pressure
)

// rigMiddle keeps the logarithms of the operating point small: 45 Cel and 160 bar.
var rigMiddle = map[string]float64{"ts1": 45, "ps1": 160}

// rigBudget is how many false alarms are allowed in all healthy cycles of the rig.
const rigBudget = 0.05

// cycle is one load cycle of the rig.
type cycle struct {
	cooler, valve, leak, accumulator int
	steady                           bool
	y, phi                           []float64 // logarithms of the features, basis functions of the operating point
	block                            int       // of consecutive cycles in the same condition
}

// group is what is left out together: all blocks of one state of cooler and accumulator.
func (c *cycle) group() [2]int { return [2]int{c.cooler, c.accumulator} }

func readRig(folder string) ([]cycle, error) {
	t, _, err := readTable(folder, "hydraulic")
	if err != nil {
		return nil, err
	}
	var out []cycle
	for i := range t["leakage"] {
		is := func(name string) int { return int(t[name][i]) }
		c := cycle{
			cooler: is("cooler"), valve: is("valve"), leak: is("leakage"), accumulator: is("accumulator"),
			steady: is("unstable") == 0, phi: []float64{1},
		}
		for _, f := range rigFeatures {
			c.y = append(c.y, math.Log(t[f][i]))
		}
		for _, p := range rigPoint {
			x := math.Log(t[p][i] / rigMiddle[p])
			c.phi = append(c.phi, x, x*x)
		}
		if i > 0 {
			before := &out[i-1]
			c.block = before.block
			if before.group() != c.group() || before.valve != c.valve || before.leak != c.leak {
				c.block++
			}
		}
		out = append(out, c)
	}
	return out, nil
}

// rig is the healthy rig as learned: a regression of each feature, the variance of a block's offset and of a cycle, the
// correlation of a cycle with the one before, and what the
// regression does not know, in units of the former.
type rig struct {
	coef                 *mat.Dense
	offset, noise, carry []float64
	unknown              *mat.Dense
}

// learnRig fits the healthy blocks. Blocks are what varies independently, so that the regression is of their means.
func learnRig(blocks [][]cycle) (*rig, error) {
	terms, features := len(blocks[0][0].phi), len(rigFeatures)
	x, y := mat.NewDense(len(blocks), terms, nil), mat.NewDense(len(blocks), features, nil)
	r := &rig{coef: &mat.Dense{}, offset: make([]float64, features), noise: make([]float64, features), carry: make([]float64, features), unknown: &mat.Dense{}}
	within := make([][]float64, features)
	for b, cs := range blocks {
		for _, c := range cs {
			for k, v := range c.phi {
				x.Set(b, k, x.At(b, k)+v/float64(len(cs)))
			}
			for k, v := range c.y {
				y.Set(b, k, y.At(b, k)+v/float64(len(cs)))
			}
		}
		for _, c := range cs {
			for k, v := range c.y {
				within[k] = append(within[k], (v-y.At(b, k))*math.Sqrt(float64(len(cs))/float64(len(cs)-1)))
			}
		}
	}
	if err := r.coef.Solve(x, y); err != nil {
		return nil, fmt.Errorf("regression of the rig: %w", err)
	}
	var fitted, square mat.Dense
	fitted.Mul(x, r.coef)
	for k := range features {
		sd := robust.MADScale * robust.MAD(within[k], nil) // the rig's first cycles are wild
		r.carry[k] = carriedWithin(within[k], sd)
		r.noise[k] = sd * sd
		for b := range blocks {
			d := y.At(b, k) - fitted.At(b, k)
			r.offset[k] += d * d / float64(len(blocks)-terms)
		}
	}
	square.Mul(x.T(), x)
	if err := r.unknown.Inverse(&square); err != nil {
		return nil, fmt.Errorf("regression of the rig: %w", err)
	}
	return r, nil
}

// carriedWithin is the correlation of neighbours, those that lie beyond three standard deviations left out. Cycles of a block drift together
// as the oil warms.
func carriedWithin(x []float64, sd float64) float64 {
	product, square := 0.0, 0.0
	for i := range len(x) - 1 {
		if math.Abs(x[i]) < 3*sd && math.Abs(x[i+1]) < 3*sd {
			product += x[i] * x[i+1]
			square += (x[i]*x[i] + x[i+1]*x[i+1]) / 2
		}
	}
	return min(0.95, max(0, product/square))
}

func (r *rig) measure(c *cycle) chart.Measurement {
	phi := mat.NewDense(1, len(c.phi), c.phi)
	var expected, half, spread mat.Dense
	expected.Mul(phi, r.coef)
	half.Mul(phi, r.unknown)
	spread.Mul(&half, phi.T())
	var m chart.Measurement
	for k, v := range c.y {
		m.Dev[k], m.Var[k], m.Has[k] = v-expected.At(0, k), r.noise[k], true
		m.OffsetVar[k] = r.offset[k] * (1 + spread.At(0, 0))
	}
	return m
}

// watch follows one block by the chart of any lasting change, started as after learning, a cycle a look. It gives the largest T2 and the
// first cycle at which it exceeds the limit, 0 for none.
func (r *rig) watch(cs []cycle, limit float64) (top float64, at int) {
	o := chart.Omnibus{Limit: limit, Widen: 1}
	for k := range rigFeatures {
		o.Carry[k], o.Among[k][k] = r.carry[k], 1
	}
	for i := range cs {
		m := r.measure(&cs[i])
		if i == 0 {
			o.OffsetVar, o.Regime, o.WithRegime = m.OffsetVar, m.OffsetVar, m.OffsetVar
		}
		o.Update(o.At.Add(chart.LookEvery), &m, false)
		top = max(top, o.Last.T2)
		if at == 0 && o.Last.Alarm {
			at = i + 1
		}
	}
	return top, at
}

// blocksOf are the blocks of at least two steady cycles that are wanted.
func blocksOf(cs []cycle, want func(*cycle) bool) (out [][]cycle) {
	last := -1
	for _, c := range cs {
		if !c.steady || !want(&c) {
			continue
		}
		if c.block != last {
			out = append(out, nil)
			last = c.block
		}
		out[len(out)-1] = append(out[len(out)-1], c)
	}
	kept := out[:0]
	for _, b := range out {
		if len(b) > 1 {
			kept = append(kept, b)
		}
	}
	return kept
}

// found is what came of the blocks of one grade of leakage.
type found struct {
	blocks, cycles, alarms int
	least, most            float64
	delays                 []int
}

// rigResult is what came of the rig.
type rigResult struct {
	conditions, healthy int
	limit               float64
	grades              [3]found
	// missed are the states of cooler and accumulator in which a leak was not found, with the number of blocks, in the order of the data.
	missed []string
}

func judgeRig(folder string) (*rigResult, error) {
	all, err := readRig(folder)
	if err != nil {
		return nil, err
	}
	out := &rigResult{conditions: all[len(all)-1].block + 1}
	groups := map[[2]int]bool{}
	var order [][2]int
	for i := range all {
		c := &all[i]
		if c.steady && c.leak == 0 {
			out.healthy++
		}
		if !groups[c.group()] {
			groups[c.group()] = true
			order = append(order, c.group())
		}
	}
	// So many looks as there are healthy cycles may give the budget; the limit wants both for a year.
	const looks = 365.25 * 24 / 4
	out.limit = chart.OmnibusLimit(len(rigFeatures), looks, rigBudget*looks/float64(out.healthy))
	for _, g := range order {
		r, err := learnRig(blocksOf(all, func(c *cycle) bool { return c.group() != g && c.leak == 0 }))
		if err != nil {
			return nil, err
		}
		missed := 0
		for leak := range out.grades {
			for _, cs := range blocksOf(all, func(c *cycle) bool { return c.group() == g && c.leak == leak }) {
				top, at := r.watch(cs, out.limit)
				out.grades[leak].add(len(cs), top, at)
				if leak > 0 && at == 0 {
					missed++
				}
			}
		}
		if missed > 0 {
			out.missed = append(out.missed, fmt.Sprintf("cooler %d %%, accumulator %d bar: %d", g[0], g[1], missed))
		}
	}
	return out, nil
}

func (f *found) add(cycles int, top float64, at int) {
	if f.blocks == 0 {
		f.least = top
	}
	f.blocks++
	f.cycles += cycles
	f.least, f.most = min(f.least, top), max(f.most, top)
	if at > 0 {
		f.alarms++
		f.delays = append(f.delays, at)
	}
}

func hydraulicTable(b *strings.Builder, folder string) error {
	r, err := judgeRig(folder)
	if err != nil {
		return err
	}
	fmt.Fprintf(b, `## A pump that leaks inside

A hydraulic rig in %d conditions: its cooler, its valve and its accumulator worn in steps and in every combination, its pump with no, weak or severe
internal leakage. Flow and motor power are judged at the oil temperature and pressure of the cycle, by the chart of any lasting
change. The healthy rig is learned from the blocks without leakage of eleven of the twelve states of cooler and accumulator, and judged in the
twelfth, each in turn, so that no state that is judged was ever learned from. Cycles that the data call not yet static are left out. The limit %.1f allows %g false alarms in
all %d healthy cycles.

| leakage | blocks | cycles | blocks with an alarm | cycles until the alarm, median and most | T2, least and most |
|---|---|---|---|---|---|
`, r.conditions, r.limit, rigBudget, r.healthy)
	for leak, f := range r.grades {
		delays := ""
		if len(f.delays) > 0 {
			delays = fmt.Sprintf("%d, %d", middle(f.delays), f.delays[len(f.delays)-1])
		}
		fmt.Fprintf(b, "| %s | %d | %d | %d | %s | %.1f, %.1f |\n", []string{"none", "weak", "severe"}[leak], f.blocks, f.cycles, f.alarms, delays, f.least, f.most)
	}
	fmt.Fprintf(b, `
Blocks with leakage and no alarm, of eight a state: %s. There the leakage moves the pressure out of what was learned, where the regression says of
itself that it knows little.

`, strings.Join(r.missed, "; "))
	return nil
}
