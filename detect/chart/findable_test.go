package chart

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/baseline"
)

// TestTuned: at ARL0 of 1e6 the CUSUM for 1 sigma, whose h is 11.964076 (reference-data cusum_crit.csv, R package spc 0.6.7), finds it after
// 24.299906 observations on average (lorden_check.csv, the same source), about as many as a time has parts.
func TestTuned(t *testing.T) {
	if got := Tuned(11.964076); math.Abs(got-1) > 0.01 {
		t.Errorf("shift %.4f, want about 1", got)
	}
}

// TestFindable: a change of that size is found within that time on average by the chart itself, bursts or not. Where offsets
// last, a lucky one brings it in a third of the time, so that the mean is below what the variance of a mean says.
func TestFindable(t *testing.T) {
	const threshold = 12.0
	for _, c := range []struct {
		name          string
		spread, noise float64
		every, within time.Duration
	}{
		{"noise, a week of hours", 0, 1, time.Hour, 7 * 24 * time.Hour},
		{"noise, a day of ten minutes", 0, 1, 10 * time.Minute, 24 * time.Hour},
		{"offsets, a week of hours", 0.5, 1, time.Hour, 7 * 24 * time.Hour},
		{"offsets, a month of four hours", 1, 0.5, 4 * time.Hour, 30 * 24 * time.Hour},
	} {
		t.Run(c.name, func(t *testing.T) {
			coef := baseline.Coef{Spread: c.spread, Noise: c.noise}
			size := Findable(&coef, Tuned(threshold), c.every, c.within)
			rng := rand.New(rand.NewPCG(1, 30))
			keep := baseline.Keep(baseline.Op{}, baseline.Op{}, c.every)
			effect, none := Effect{Mean: baseline.Vector{size}, Sudden: 1}, Effect{}
			const runs = 60
			sum := 0.0
			for range runs {
				var healthy Filter
				healthy.P[0] = c.spread * c.spread
				offset := c.spread * rng.NormFloat64()
				var track Track
				for track.Score < threshold {
					offset = keep*offset + math.Sqrt(1-keep*keep)*c.spread*rng.NormFloat64()
					m := Measurement{Var: baseline.Vector{c.noise * c.noise}, OffsetVar: baseline.Vector{c.spread * c.spread}, Unseen: 1e-9, Swap: 1e-9}
					m.Dev[0], m.Has[0] = size+offset+c.noise*rng.NormFloat64(), true
					m.Mirrored = m.Dev
					healthy.Move(keep, &m.OffsetVar, &none)
					before := healthy
					density := healthy.Update(&m, &none)
					if track.Epochs > 0 {
						track.Filter.Move(keep, &m.OffsetVar, &effect)
					}
					track.Update(time.Time{}, &m, &effect, density, &before)
					sum += float64(c.every)
				}
			}
			ratio := sum / runs / float64(c.within)
			t.Logf("change %.3g, found in %.2f of the time", size, ratio)
			if ratio < 0.25 || ratio > 1.2 {
				t.Errorf("a change of %.3g was found in %.2f of the time", size, ratio)
			}
		})
	}
}

// TestFindableByAll: such a change brings the omnibus chart to its limit within about the time.
func TestFindableByAll(t *testing.T) {
	const within, every = 7 * 24 * time.Hour, time.Hour
	const limit = 45.0
	for _, spread := range []float64{0, 1} {
		coef := baseline.Coef{Spread: spread, Noise: 1}
		size := FindableByAll(&coef, limit, dim, every, within)
		const runs = 60
		sum := 0.0
		for i := range runs {
			s := healthySignal{rng: rand.New(rand.NewPCG(uint64(i), 31)), spread: spread, at: omnibusStart}
			o := s.start(math.Inf(1))
			for n := 0; !o.Last.Alarm; n++ {
				m := s.next(every)
				m.OffsetVar[0] = spread * spread
				if n >= 400 {
					o.Limit = limit
					m.Dev[0] += size
					sum += float64(every)
				}
				o.Update(s.at, &m, false)
			}
		}
		ratio := sum / runs / float64(within)
		t.Logf("spread %g: change %.3g, found in %.2f of the time", spread, size, ratio)
		if ratio < 0.5 || ratio > 1.5 {
			t.Errorf("spread %g: a change of %.3g was found in %.2f of the time", spread, size, ratio)
		}
	}
}
