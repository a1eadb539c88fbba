package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"diastole/detect/accept"
	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/model/plant"
	"diastole/model/pump"
)

// drawsOfEach is how often each mistake, and the good rebuild, is drawn of each pump.
const drawsOfEach = 2

// assembly simulates rebuilds of some pumps of every model, good ones and such with a mistake, and writes what they did to the
// coordinates of each pump.
func assembly(file string, pumps int) error {
	t := accept.Table{Wrong: map[accept.Mistake][]accept.Shift{}}
	var mu sync.Mutex
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	type result struct {
		fresh, bedded []accept.Shift
		wrong         map[accept.Mistake][]accept.Shift
	}
	names := pump.GenericNames()
	results := make([]result, len(names)*pumps)
	for i, name := range names {
		for n := range pumps {
			g.Go(func() error {
				fresh, bedded, wrong, err := rebuilds(name, uint64(i*pumps+n)) // no two pumps have the same draws
				mu.Lock()
				defer mu.Unlock()
				results[i*pumps+n] = result{fresh, bedded, wrong}
				return err
			})
		}
	}
	if err := g.Wait(); err != nil {
		return err
	}
	for _, r := range results { // in their order, whichever was ready first
		t.Fresh, t.BeddedIn = append(t.Fresh, r.fresh...), append(t.BeddedIn, r.bedded...)
		for _, m := range plant.Mistakes() {
			t.Wrong[accept.Mistake(m)] = append(t.Wrong[accept.Mistake(m)], r.wrong[accept.Mistake(m)]...)
		}
	}
	data, err := json.MarshalIndent(t, "", " ")
	if err != nil {
		return fmt.Errorf("table of rebuilds: %w", err)
	}
	if err := os.WriteFile(file, append(data, '\n'), 0o644); err != nil {
		return fmt.Errorf("table of rebuilds: %w", err)
	}
	return nil
}

// rebuilds simulates one pump: healthy over its operating points, then rebuilt, each time anew.
func rebuilds(name string, n uint64) (fresh, bedded []accept.Shift, wrong map[accept.Mistake][]accept.Shift, err error) {
	m, err := pump.Generic(name)
	if err != nil {
		return nil, nil, nil, err
	}
	params, err := plant.Generic(name)
	if err != nil {
		return nil, nil, nil, err
	}
	rng := rand.New(rand.NewPCG(n, 24))
	base := station(params, rng)
	var samples []baseline.Sample
	at := base
	for tries := 0; len(samples) < 16; tries++ {
		if tries > 60 {
			return nil, nil, nil, fmt.Errorf("%s, pump %d: it hardly runs anywhere", name, n)
		}
		s := moved(base, rng)
		obs, err := observeWorn(m, s, rng.Uint64(), 1, wornIn)
		if err != nil {
			return nil, nil, nil, err
		}
		if len(obs) > 0 {
			at = s
		}
		for _, o := range obs {
			samples = append(samples, baseline.Sample{At: time.Unix(int64(len(samples))*3600, 0), Obs: o})
		}
	}
	healthy := baseline.Learn(m, samples)
	look := func(s setup, worn float64, mirrored bool) (accept.Shift, bool) {
		obs, lookErr := observeWorn(m, s, rng.Uint64(), 3, worn)
		if lookErr != nil {
			err = lookErr
		}
		return middleShift(healthy, obs, mirrored)
	}
	wrong = map[accept.Mistake][]accept.Shift{}
	for range drawsOfEach {
		good := at
		good.params = at.params.Refitted(rng)
		if s, ok := look(good, 300, false); ok {
			fresh = append(fresh, s)
		}
		if s, ok := look(good, wornIn, false); ok {
			bedded = append(bedded, s)
		}
		for _, mistake := range plant.Mistakes() {
			bad := good
			side := rng.IntN(2)
			if bad.params, bad.faults, err = good.params.Assembly(mistake, side, rng); err != nil {
				return nil, nil, nil, err
			}
			if s, ok := look(bad, 300, side == plant.Right); ok {
				wrong[accept.Mistake(mistake)] = append(wrong[accept.Mistake(mistake)], s)
			}
		}
	}
	return fresh, bedded, wrong, err
}

// middleShift is the mean deviation from the healthy regression, as it would be with the mistake in stroke A.
func middleShift(h *baseline.Healthy, obs []baseline.Observation, mirrored bool) (s accept.Shift, ok bool) {
	var n baseline.Vector
	for _, o := range obs {
		mean, _ := h.Expect(o.Op)
		s.Head += o.Op.Head / float64(len(obs))
		for j := range baseline.Dim {
			if o.Has[j] && h.Known[j] {
				s.Val[j] += o.Val[j] - mean[j]
				n[j]++
			}
		}
	}
	if mirrored {
		v := baseline.Observation{Val: s.Val}
		s.Val = v.Mirrored().Val
	}
	for j := range baseline.Dim {
		if s.Has[j] = n[j] > 0; s.Has[j] {
			s.Val[j] = math.Round(s.Val[j]/n[j]*1e4) / 1e4
		}
	}
	s.Head = math.Round(s.Head*1e3) / 1e3
	return s, s.Has[feature.StrokeRate]
}
