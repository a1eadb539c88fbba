package main

import (
	"math"
	"math/rand/v2"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/chart/runlength"
)

// The delays are those of charts whose mean time to a false alarm is falseAlarm epochs, an epoch an hour, of independent normal
// epochs whose mean and standard deviation are known.
const falseAlarm = 1e6

// curve is the mean delay of one chart, in epochs, per shift.
type curve struct {
	name   string
	delay  []float64
	dashed bool
}

// shifts are in standard deviations of an epoch.
var shifts = func() (s []float64) {
	for d := 0.25; d <= 4.01; d *= math.Pow(2, 0.25) {
		s = append(s, d)
	}
	return s
}()

func delays() []curve {
	bound := curve{name: "Lorden's bound", dashed: true}
	known := curve{name: "CUSUM, shift known"}
	one := curve{name: "CUSUM for 1 sigma"}
	tracks := curve{name: "shift of unknown size"}
	omnibus := curve{name: "omnibus, 11 features"}
	h1 := runlength.CUSUMLimit(0.5, falseAlarm)
	for i, d := range shifts {
		bound.delay = append(bound.delay, math.Log(falseAlarm)/(d*d/2))
		known.delay = append(known.delay, runlength.CUSUM(d/2, runlength.CUSUMLimit(d/2, falseAlarm), d))
		one.delay = append(one.delay, runlength.CUSUM(0.5, h1, d))
		tracks.delay = append(tracks.delay, trackDelay(d, uint64(i)))
		omnibus.delay = append(omnibus.delay, omnibusDelay(d, uint64(i)))
	}
	return []curve{bound, known, one, tracks, omnibus}
}

// runs is how many changes are simulated for each shift: the mean delay is then known to some per cent.
const runs = 200

// trackSizes are the sizes at which a change of unknown size is followed; the largest is 2.3 times the next, as the sizes of faults are.
var trackSizes = []float64{0.33, 0.75, 1.7, 4}

// trackDelay follows a shift of one feature by the likelihood ratios of the known direction at a few sizes.
func trackDelay(shift float64, seed uint64) float64 {
	rng := rand.New(rand.NewPCG(seed, 21))
	threshold := chart.Threshold(len(trackSizes), falseAlarm, 1)
	var none chart.Effect
	sum := 0.0
	for range runs {
		tracks := make([]chart.Track, len(trackSizes))
		var healthy chart.Filter
		for n := 1.0; ; n++ {
			m := chart.Measurement{Dev: baseline.Vector{shift + rng.NormFloat64()}, Var: baseline.Vector{1}, Swap: 1e-12, Unseen: 1e-12}
			m.Mirrored, m.Has[0] = m.Dev, true
			before := healthy
			density := healthy.Update(&m, &none)
			top := 0.0
			for k := range tracks {
				e := chart.Effect{Mean: baseline.Vector{trackSizes[k]}, Sudden: 0.5}
				tracks[k].Update(time.Time{}, &m, &e, density, &before)
				top = max(top, tracks[k].Score)
			}
			if top > threshold {
				sum += n
				break
			}
		}
	}
	return sum / runs
}

// omnibusDelay follows a shift of one of all features, of which nothing is known, after a warm start.
func omnibusDelay(shift float64, seed uint64) float64 {
	const warm = 400 // epochs
	rng := rand.New(rand.NewPCG(seed, 22))
	const year = 365.25 * 24
	limit := chart.OmnibusLimit(baseline.Dim, year, year/falseAlarm)
	sum := 0.0
	for range runs {
		o := chart.Omnibus{Limit: limit, Widen: 1}
		for j := range baseline.Dim {
			o.Among[j][j] = 1
		}
		for n := -warm; !o.Last.Alarm; n++ {
			var m chart.Measurement
			for j := range baseline.Dim {
				m.Dev[j], m.Var[j], m.Has[j] = rng.NormFloat64(), 1, true
			}
			if n >= 0 {
				m.Dev[0] += shift
				sum++
			}
			o.Update(o.At.Add(time.Hour), &m, false)
		}
	}
	return sum / runs
}
