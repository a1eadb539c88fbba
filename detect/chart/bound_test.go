package chart

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/integrate/quad"
	"pgregory.net/rapid"

	"diastole/detect/baseline"
	"diastole/detect/feature"
)

// The threshold rests on one thing: under the healthy pump's own prediction the likelihood ratio of the next epoch has a
// mean of one, whatever came before. It has, if every prediction is a density: if it integrates to one.

// course is a filter after a random course of epochs, with jumps and swaps possible, and the measurement that comes next
// but for its deviations.
func course(rng *rand.Rand) (Filter, Measurement, Effect) {
	s := newScene(rng, 6)
	f := s.start
	for i := range s.ms {
		m := &s.ms[i]
		m.Mirrored = mirrored(m.Dev)
		m.Unseen, m.Swap = 0.05, 0.01+0.49*float64(rng.IntN(2))
		f.Move(s.keep[i], &m.OffsetVar, &s.effect)
		f.Update(m, &s.effect)
	}
	next := s.ms[0]
	next.Unseen = 0.1
	return f, next, s.effect
}

const asymmetryMean = 0.05 // of the healthy pumps here

// mirrored is the deviation of the same epoch with A and B exchanged, where the healthy pump's stroke times have a mean
// asymmetry.
func mirrored(dev baseline.Vector) baseline.Vector {
	dev[feature.Asymmetry] += asymmetryMean
	dev = baseline.Observation{Val: dev}.Mirrored().Val
	dev[feature.Asymmetry] -= asymmetryMean
	return dev
}

// overLine integrates over the whole line; x = tan(u) carries it to a finite interval.
func overLine(f func(float64) float64) float64 {
	return quad.Fixed(func(u float64) float64 {
		c := math.Cos(u)
		return f(math.Tan(u)) / (c * c)
	}, -math.Pi/2, math.Pi/2, 2000, quad.Legendre{}, 1)
}

func TestEveryPredictionIsADensity(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 10))
	for range 10 {
		f, m, e := course(rng)
		for _, j := range []feature.ID{feature.StrokeRate, feature.Asymmetry} {
			m.Has = [dim]bool{}
			m.Has[j] = true
			if got := overLine(func(x float64) float64 {
				g, m := f, m
				m.Dev[j] = x
				m.Mirrored = mirrored(m.Dev)
				return math.Exp(g.Update(&m, &e))
			}); math.Abs(got-1) > 1e-6 {
				t.Errorf("the filter's prediction of %s integrates to %.9f", j, got)
			}
			// A track that begins predicts by two filters at once. Against a log density of -1000 it is sure to begin.
			if got := overLine(func(x float64) float64 {
				var tr Track
				m := m
				m.Dev[j] = x
				m.Mirrored = mirrored(m.Dev)
				tr.Update(time.Time{}, &m, &e, -1000, &f)
				return math.Exp(tr.Score - 1000)
			}); math.Abs(got-1) > 1e-6 {
				t.Errorf("the beginning track's prediction of %s integrates to %.9f", j, got)
			}
		}
	}
}

// drawn is an epoch drawn from a healthy filter's own prediction.
func drawn(f *Filter, m Measurement, rng *rand.Rand) Measurement {
	g := *f
	if rng.Float64() < m.Swap {
		g.Swapped = !g.Swapped
	}
	if rng.Float64() < m.Unseen {
		for j := range dim {
			g.X[j], g.P[j] = g.fresh(j, m.OffsetVar[j], &Effect{})
		}
	}
	chi2 := 0.0
	for range int(tailDoF) {
		n := rng.NormFloat64()
		chi2 += n * n
	}
	heavy := math.Sqrt((tailDoF - 2) / chi2)
	for j := range dim {
		m.Dev[j] = g.X[j] + heavy*math.Sqrt(g.P[j]+m.Var[j])*rng.NormFloat64()
	}
	m.Mirrored = mirrored(m.Dev)
	if g.Swapped {
		m.Dev, m.Mirrored = m.Mirrored, m.Dev
	}
	return m
}

// TestHealthyLikelihoodRatiosHaveMeanOne draws epochs from the healthy prediction: the mean of the likelihood ratio of a
// run of them is one, over one epoch as over several.
func TestHealthyLikelihoodRatiosHaveMeanOne(t *testing.T) {
	const runs, epochs = 40000, 3
	rng := rand.New(rand.NewPCG(2, 10))
	m, e := quiet()
	var none Effect
	sum, squares := [epochs]float64{}, [epochs]float64{}
	for range runs {
		healthy := Filter{P: m.OffsetVar}
		var changed Filter
		ratio := 1.0
		for i := range epochs {
			healthy.Move(0.9, &m.OffsetVar, &none)
			d := drawn(&healthy, m, rng)
			if i == 0 {
				changed = healthy.Begin(&e)
			} else {
				changed.Move(0.9, &m.OffsetVar, &e)
			}
			ratio *= math.Exp(changed.Update(&d, &e) - healthy.Update(&d, &none))
			sum[i] += ratio
			squares[i] += ratio * ratio
		}
	}
	for i := range epochs {
		mean := sum[i] / runs
		se := math.Sqrt((squares[i]/runs - mean*mean) / runs)
		if math.Abs(mean-1) > 3.3*se || se > 0.05 {
			t.Errorf("over %d epochs the likelihood ratio has a mean of %.3f±%.3f", i+1, mean, se)
		}
	}
}

// quiet is a pump whose coordinates have unit noise and half that of offset, and a change that is hard to see.
func quiet() (Measurement, Effect) {
	m := Measurement{Unseen: 1e-3, Swap: 0.01}
	var e Effect
	for j := range dim {
		m.Var[j], m.OffsetVar[j], m.Has[j] = 1, 0.25, true
		e.Spread[j] = 0.3
	}
	e.Mean[feature.StrokeRate], e.Mean[feature.Asymmetry], e.Size, e.Sudden = 0.5, 0.6, 1, 0.5
	return m, e
}

// TestFalseAlarmsStayInTheBudget runs healthy pumps under a number of charts for long, and counts the alarms of each chart
// alone: together they may be no more than the budget that made the threshold (Lorden 1971, theorem 2). The bound is
// known to be generous; that something is counted at all shows that the test can fail.
func TestFalseAlarmsStayInTheBudget(t *testing.T) {
	const charts, epochsPerYear, budget, years = 4, 500, 8, 100
	threshold := Threshold(charts, epochsPerYear, budget)
	rng := rand.New(rand.NewPCG(3, 10))
	m, e := quiet()
	effects := [charts]Effect{e, e, e, e}
	effects[1].Mean[feature.Asymmetry] *= -1
	effects[2].Mean[feature.StrokeRate] *= -2
	effects[3].Mean = [dim]float64{feature.DipDepth: 1.5}
	healthy := Filter{P: m.OffsetVar}
	var tracks [charts]Track
	var none Effect
	alarms := 0
	for range years * epochsPerYear {
		healthy.Move(0.98, &m.OffsetVar, &none)
		d := drawn(&healthy, m, rng)
		before := healthy
		density := healthy.Update(&d, &none)
		for i := range tracks {
			tr := &tracks[i]
			if tr.Epochs > 0 {
				tr.Filter.Move(0.98, &m.OffsetVar, &effects[i])
			}
			tr.Update(time.Time{}, &d, &effects[i], density, &before)
			if tr.Score > threshold {
				alarms++
				*tr = Track{}
			}
		}
	}
	if alarms > years*budget {
		t.Errorf("%d false alarms in %d years, the budget allows %d", alarms, years, years*budget)
	}
	if alarms == 0 {
		t.Error("no false alarm at all: the test shows nothing")
	}
	t.Logf("%d false alarms in %d years, the budget allows %d", alarms, years, years*budget)
}

// TestThreshold holds the threshold against the bound that it inverts: charts * epochs a year / mean epochs to an alarm
// is the budget, where the mean is at least exp(threshold).
func TestThreshold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		charts := rapid.IntRange(1, 200).Draw(t, "charts")
		epochs := rapid.Float64Range(10, 6e5).Draw(t, "epochs a year")
		budget := rapid.Float64Range(1e-3, 10).Draw(t, "budget")
		h := Threshold(charts, epochs, budget)
		if got := float64(charts) * epochs / math.Exp(h); math.Abs(got-budget) > 1e-9*budget {
			t.Errorf("the bound at threshold %g gives %g alarms a year, want %g", h, got, budget)
		}
		if Threshold(charts+1, epochs, budget) <= h || Threshold(charts, 2*epochs, budget) <= h || Threshold(charts, epochs, budget/2) <= h {
			t.Error("more charts, more epochs or a smaller budget do not raise the threshold")
		}
	})
}
