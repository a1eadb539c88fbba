package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"gonum.org/v1/gonum/stat"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/diagnose"
	"diastole/detect/robust"
	"diastole/model/plant"
	"diastole/model/pump"
)

// campaign gathers what faults and causes do to pumps of one model.
type campaign struct {
	model  pump.Model
	params plant.Params

	mu sync.Mutex
	// shifts has, for each hypothesis and size, the shift of each pump: mean over its epochs; wobble the variance
	// between these epochs less that of the healthy pump.
	shifts, wobble map[key][]reading
	still          int
}

// key is a hypothesis and a size, by their places in cases and diagnose.Sizes.
type key struct{ hypothesis, size int }

// reading is one value per coordinate, where it could be formed.
type reading struct {
	val baseline.Vector
	has [baseline.Dim]bool
}

func newCampaign(name string, pumps int) *campaign {
	m, err := pump.Generic(name)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	p, err := plant.Generic(name)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	return &campaign{model: m, params: p, shifts: map[key][]reading{}, wobble: map[key][]reading{}}
}

// pump simulates the n-th pump: healthy over its operating points, then with each hypothesis at each size, at one of
// these points. Shifts are against the same pump's own healthy regression, as a monitor would see them.
func (c *campaign) pump(n int) error {
	rng := rand.New(rand.NewPCG(uint64(n), 20))
	base := station(c.params, rng)
	points := make([]setup, 0, 20)
	var samples []baseline.Sample
	for len(samples) < 20 {
		s := moved(base, rng)
		obs, err := observe(c.model, s, rng.Uint64(), 1)
		if err != nil {
			return err
		}
		if len(points) > 60 {
			return fmt.Errorf("%s, pump %d: it hardly runs anywhere", c.model.Name, n)
		}
		points = append(points, s)
		for _, o := range obs {
			samples = append(samples, baseline.Sample{At: time.Unix(int64(len(samples))*3600, 0), Obs: o})
		}
	}
	healthy := baseline.Learn(c.model, samples)
	at := points[len(points)-1]
	for i := range cases {
		seed := rng.Uint64()
		noise := rng.Uint64()
		quiet, err := c.shift(healthy, at, noise)
		if err != nil {
			return err
		}
		for k, size := range diagnose.Sizes {
			s := at
			if err := cases[i].apply(&s, size, rand.New(rand.NewPCG(seed, 21))); err != nil {
				return err
			}
			loud, err := c.shift(healthy, s, noise)
			if err != nil {
				return err
			}
			c.book(key{i, k}, quiet, loud)
		}
	}
	return nil
}

// shift gives the deviations from the healthy regression over some epochs.
func (c *campaign) shift(h *baseline.Healthy, s setup, seed uint64) ([]reading, error) {
	obs, err := observe(c.model, s, seed, 3)
	if err != nil {
		return nil, err
	}
	var out []reading
	for _, o := range obs {
		mean, _ := h.Expect(o.Op)
		var r reading
		for j := range baseline.Dim {
			r.val[j], r.has[j] = o.Val[j]-mean[j], o.Has[j] && h.Known[j]
		}
		out = append(out, r)
	}
	return out, nil
}

// book enters the difference between a worn pump and the same pump healthy at the same settings.
func (c *campaign) book(k key, quiet, loud []reading) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(loud) == 0 || len(quiet) == 0 {
		c.still++
		return
	}
	var shift, wobble reading
	for j := range baseline.Dim {
		a, b := column(quiet, j), column(loud, j)
		if len(a) < 2 || len(b) < 2 {
			continue
		}
		shift.val[j], shift.has[j] = stat.Mean(b, nil)-stat.Mean(a, nil), true
		wobble.val[j], wobble.has[j] = stat.Variance(b, nil)-stat.Variance(a, nil), true
	}
	c.shifts[k] = append(c.shifts[k], shift)
	c.wobble[k] = append(c.wobble[k], wobble)
}

func column(rs []reading, j int) []float64 {
	var out []float64
	for _, r := range rs {
		if r.has[j] {
			out = append(out, r.val[j])
		}
	}
	return out
}

// signatures condenses the campaign.
func (c *campaign) signatures() []diagnose.Signature {
	out := make([]diagnose.Signature, len(cases))
	for i := range cases {
		out[i] = cases[i].row
		for k, size := range diagnose.Sizes {
			e := chart.Effect{Size: size}
			for j := range baseline.Dim {
				if x := column(c.shifts[key{i, k}], j); len(x) >= 4 {
					e.Mean[j], e.Spread[j] = middle(x)
					e.Scatter[j] = math.Sqrt(max(0, robust.Median(column(c.wobble[key{i, k}], j), nil)))
				}
			}
			out[i].Effects = append(out[i].Effects, e)
		}
	}
	return out
}

// middle is the mean and the standard deviation of x without outliers: a pump that hardly runs, or whose strokes are not
// found, says nothing of the others.
func middle(x []float64) (mean, sd float64) {
	const outlier = 3.5 // robust standard deviations
	return stat.MeanStdDev(robust.Kept(nil, x, outlier, nil), nil)
}
