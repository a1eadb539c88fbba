package chart

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distmv"
	"pgregory.net/rapid"

	"diastole/detect/feature"
)

// tailDoF and leastWeight are the degrees of freedom of the heavy tails and the least weight of an epoch, as package
// baseline has them.
const (
	tailDoF     = 5.0
	leastWeight = 0.05
)

// scene is a short course of epochs in all that a filter is told of them.
type scene struct {
	start  Filter
	effect Effect
	keep   []float64
	ms     []Measurement
}

// newScene draws a course of epochs in which nothing happens unseen. Every third epoch is wild, and now and then a
// coordinate is missing.
func newScene(rng *rand.Rand, epochs int) scene {
	var s scene
	for j := range dim {
		s.start.X[j], s.start.P[j] = 0.1*rng.NormFloat64(), 0.01*(0.5+rng.Float64())
		b := &s.start.Bias
		b.X[j], b.Var[j], b.Prior[j] = 0.03*rng.NormFloat64(), 0.001*(0.5+rng.Float64()), 0.004
		b.Cov[j] = b.Var[j] * rng.Float64()
		s.effect.Mean[j] = 0.2 * rng.NormFloat64()
		s.effect.Spread[j], s.effect.Scatter[j] = 0.1*rng.Float64(), 0.05*rng.Float64()
	}
	s.effect.Sudden = rng.Float64()
	for t := range epochs {
		var m Measurement
		for j := range dim {
			m.Dev[j] = 0.2 * rng.NormFloat64()
			if t%3 == 2 {
				m.Dev[j] *= 10
			}
			m.Var[j], m.OffsetVar[j] = 0.01*(0.5+rng.Float64()), 0.02*(0.5+rng.Float64())
			m.Has[j] = j == 0 || rng.IntN(5) > 0
		}
		s.keep, s.ms = append(s.keep, 0.5+0.5*rng.Float64()), append(s.ms, m)
	}
	return s
}

// bruteForce predicts every epoch of a scene from those before it by the joint normal distribution of all deviations:
// for each coordinate their covariance matrix is written down, the epochs before are conditioned on by solving with it,
// and the density is gonum's multivariate t. No state is carried from epoch to epoch but the weight that each deserved.
func (s scene) bruteForce(t *testing.T) []float64 {
	t.Helper()
	n := len(s.ms)
	var latent [dim]*mat.SymDense
	var mean [dim][]float64
	for j := range dim {
		latent[j], mean[j] = s.deviations(j)
	}
	weights := make([]float64, n)
	var out []float64
	for now, m := range s.ms {
		var resid, scale []float64
		for j := range dim {
			if !m.Has[j] {
				continue
			}
			var past []int
			for i := range now {
				if s.ms[i].Has[j] {
					past = append(past, i)
				}
			}
			e, v := m.Dev[j]-mean[j][now], latent[j].At(now, now)
			if k := len(past); k > 0 {
				c, cov, r := mat.NewVecDense(k, nil), mat.NewSymDense(k, nil), mat.NewVecDense(k, nil)
				for a, i := range past {
					c.SetVec(a, latent[j].At(i, now))
					r.SetVec(a, s.ms[i].Dev[j]-mean[j][i])
					for b, l := range past {
						cov.SetSym(a, b, latent[j].At(i, l))
					}
					cov.SetSym(a, a, cov.At(a, a)+s.noise(i, j)/weights[i])
				}
				var chol mat.Cholesky
				var gain mat.VecDense
				if !chol.Factorize(cov) || chol.SolveVecTo(&gain, c) != nil {
					t.Fatalf("epoch %d, coordinate %d: the covariance is singular", now, j)
				}
				e -= mat.Dot(&gain, r)
				v -= mat.Dot(&gain, c)
			}
			resid = append(resid, e)
			scale = append(scale, (v+s.noise(now, j))*(tailDoF-2)/tailDoF)
		}
		ref, ok := distmv.NewStudentsT(make([]float64, len(resid)), mat.NewDiagDense(len(scale), scale), tailDoF, nil)
		if !ok {
			t.Fatal("a variance is not positive")
		}
		out = append(out, ref.LogProb(resid))
		q := 0.0
		for i, e := range resid {
			q += e * e / scale[i]
		}
		d := float64(len(resid))
		weights[now] = min(1, max(leastWeight, (tailDoF+d)/(tailDoF+q)))
	}
	return out
}

func (s scene) noise(epoch, j int) float64 {
	return s.ms[epoch].Var[j] + s.effect.Scatter[j]*s.effect.Scatter[j]
}

// deviations is the covariance of coordinate j's deviations at all epochs, without noise, and their means. Each is the
// bias and the effect's mean, plus what is left of the one before, plus fresh chance: written out as sums over the independent parts.
func (s scene) deviations(j int) (*mat.SymDense, []float64) {
	n := len(s.ms)
	parts := mat.NewDense(n, n+2, nil) // standard deviations of the independent parts: the start, each epoch's own, the bias
	mean := make([]float64, n)
	bias := &s.start.Bias
	level := s.effect.Mean[j] + bias.X[j]
	start, with := s.start.P[j]-bias.Cov[j]*bias.Cov[j]/bias.Var[j], bias.Cov[j]/bias.Var[j]
	kept := 1.0
	for t := range n {
		kept *= s.keep[t]
		mean[t] = level + kept*(s.start.X[j]-level)
		parts.Set(t, 0, kept*math.Sqrt(start))
		parts.Set(t, n+1, math.Sqrt(bias.Var[j])*(1+kept*(with-1)))
		own := s.ms[t].OffsetVar[j] - bias.Prior[j] + s.effect.Spread[j]*s.effect.Spread[j]
		left := math.Sqrt((1 - s.keep[t]*s.keep[t]) * own)
		for u := t; u < n; u++ {
			if u > t {
				left *= s.keep[u]
			}
			parts.Set(u, t+1, left)
		}
	}
	var cov mat.SymDense
	cov.SymOuterK(1, parts)
	return &cov, mean
}

func TestFilterIsTheJointDistribution(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		s := newScene(rng, 7)
		f := s.start
		for i, want := range s.bruteForce(t) {
			f.Move(s.keep[i], &s.ms[i].OffsetVar, &s.effect)
			got := f.Update(&s.ms[i], &s.effect)
			if math.Abs(got-want) > 1e-9*(1+math.Abs(want)) {
				t.Errorf("epoch %d: log density %.12g, the joint distribution has %.12g", i, got, want)
			}
		}
	}
}

// TestMoveInTwoStepsIsOne: a deviation that moves twice at one operating point has moved once by both.
func TestMoveInTwoStepsIsOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newScene(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2)), 1)
		a, b := rapid.Float64Range(0, 1).Draw(t, "a"), rapid.Float64Range(0, 1).Draw(t, "b")
		two, one := s.start, s.start
		two.Move(a, &s.ms[0].OffsetVar, &s.effect)
		two.Move(b, &s.ms[0].OffsetVar, &s.effect)
		one.Move(a*b, &s.ms[0].OffsetVar, &s.effect)
		for j := range dim {
			if math.Abs(two.X[j]-one.X[j]) > 1e-12 || math.Abs(two.P[j]-one.P[j]) > 1e-12 {
				t.Errorf("coordinate %d: %g±%g in two steps, %g±%g in one", j, two.X[j], two.P[j], one.X[j], one.P[j])
			}
		}
		// Nothing kept is nothing known: the effect and its spread, and a regime's offset.
		one.Move(0, &s.ms[0].OffsetVar, &s.effect)
		for j := range dim {
			mean, variance := one.fresh(j, s.ms[0].OffsetVar[j], &s.effect)
			if math.Abs(one.X[j]-mean) > 1e-15 || math.Abs(one.P[j]-variance) > 1e-15 || one.Bias.Cov[j] != one.Bias.Var[j] {
				t.Errorf("coordinate %d: of nothing kept comes %g±%g, a fresh regime has %g±%g", j, one.X[j], one.P[j], mean, variance)
			}
		}
	})
}

// TestFilterLeavesWhatItDoesNotSee: a coordinate that is missing keeps its deviation, and gets no more certain.
func TestFilterLeavesWhatItDoesNotSee(t *testing.T) {
	s := newScene(rand.New(rand.NewPCG(3, 3)), 1)
	m := &s.ms[0]
	m.Has[feature.Ripple] = false
	f := s.start
	f.Update(m, &s.effect)
	for j := range dim {
		switch same := f.X[j] == s.start.X[j] && f.P[j] == s.start.P[j]; {
		case same == m.Has[j]:
			t.Errorf("coordinate %d, seen %t: deviation %g before, %g after", j, m.Has[j], s.start.X[j], f.X[j])
		case f.P[j] > s.start.P[j]:
			t.Errorf("coordinate %d: an epoch made it less certain", j)
		}
	}
}

// TestOneWildEpochIsNoNews: a lump that passes must not carry the filter away with it.
func TestOneWildEpochIsNoNews(t *testing.T) {
	var m Measurement
	f := Filter{}
	for j := range dim {
		f.P[j], m.Var[j], m.OffsetVar[j], m.Has[j] = 1, 1, 1, true
		m.Dev[j] = 100
	}
	f.Update(&m, &Effect{})
	if f.X[0] > 10 {
		t.Errorf("an epoch 100 standard deviations away moved the deviation to %g", f.X[0])
	}
}

// asymmetric is an epoch of a pump whose stroke times differ by a, where healthy is expected. Named by the other names it is
// the mirrored one.
func asymmetric(a, healthy float64, swapped bool) Measurement {
	m := Measurement{Unseen: 1e-5, Swap: 0.01}
	m.Has[feature.Asymmetry] = true
	m.Dev[feature.Asymmetry], m.Mirrored[feature.Asymmetry] = a-healthy, -a-healthy
	m.Var[feature.Asymmetry], m.OffsetVar[feature.Asymmetry] = 0.003*0.003, 0.005*0.005
	if swapped {
		m.Dev, m.Mirrored = m.Mirrored, m.Dev
	}
	return m
}

// TestSwappedNamesCostOnce: where a counter slips by a stroke, A and B are exchanged from then on. That costs the log odds
// of a swap in the epoch in which it happens, and nothing later.
func TestSwappedNamesCostOnce(t *testing.T) {
	const healthy, epochs, slip = 0.05, 12, 5
	var none Effect
	var plain, slipped Filter
	plain.P[feature.Asymmetry] = 0.005 * 0.005
	slipped = plain
	rng := rand.New(rand.NewPCG(4, 4))
	for i := range epochs {
		a := healthy + 0.003*rng.NormFloat64()
		m, s := asymmetric(a, healthy, false), asymmetric(a, healthy, i >= slip)
		keep := 0.99
		plain.Move(keep, &m.OffsetVar, &none)
		slipped.Move(keep, &s.OffsetVar, &none)
		cost := plain.Update(&m, &none) - slipped.Update(&s, &none)
		want := 0.0
		if i == slip {
			want = math.Log(0.99 / 0.01)
		}
		if math.Abs(cost-want) > 0.01 {
			t.Errorf("epoch %d: the swap cost %.4f, want %.4f", i, cost, want)
		}
		if slipped.Swapped != (i >= slip) {
			t.Errorf("epoch %d: swapped is %t", i, slipped.Swapped)
		}
		if math.Abs(plain.X[feature.Asymmetry]-slipped.X[feature.Asymmetry]) > 1e-9 {
			t.Errorf("epoch %d: the swap changed the deviation", i)
		}
	}
}

// TestFreeNamesAreFree: where nothing anchors the names (a swap is as likely as none), it does not matter how an epoch
// is named.
func TestFreeNamesAreFree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newScene(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 5)), 1)
		one := s.ms[0]
		one.Swap, one.Unseen = 0.5, 0.01
		one.Mirrored = mirrored(one.Dev)
		other := one
		other.Dev, other.Mirrored = one.Mirrored, one.Dev
		f, g := s.start, s.start
		if a, b := f.Update(&one, &s.effect), g.Update(&other, &s.effect); math.Abs(a-b) > 1e-9 {
			t.Errorf("log density %g by one name, %g by the other", a, b)
		}
	})
}

func TestUnseenChange(t *testing.T) {
	last := 0.0
	for _, dt := range []time.Duration{-time.Hour, 0, time.Second, time.Minute, time.Hour, 24 * time.Hour, 30 * 24 * time.Hour, 1e6 * time.Hour} {
		p := UnseenChange(dt)
		if p <= 0 || p > 0.5 || p < last {
			t.Errorf("in %v a regime changes unseen with probability %g, after %g", dt, p, last)
		}
		last = p
	}
}

// TestWrongLevelIsNoNews: where the level was learned from few regimes and is wrong, every regime lies on the same side of it. That
// is one surprise and not one for each regime: after a few, the healthy filter foresees the next nearly as well as if
// the level were right.
func TestWrongLevelIsNoNews(t *testing.T) {
	const regimes, epochs = 30, 12
	off := map[bool]float64{} // squared surprises of the first epoch in each of the last regimes
	for _, biased := range []bool{true, false} {
		rng := rand.New(rand.NewPCG(5, 6))
		m := Measurement{Unseen: 0.03, Swap: 0.01}
		m.Has[0], m.Var[0], m.OffsetVar[0] = true, 0.01, 1.5
		f := Filter{}
		f.P[0], f.Bias.Var[0], f.Bias.Cov[0], f.Bias.Prior[0] = 1.5, 0.5, 0.5, 0.5
		level := 0.0
		if biased {
			level = 1.4 // two standard deviations
		}
		for r := range regimes {
			x := level + rng.NormFloat64()
			for i := range epochs {
				m.Dev[0] = x + 0.1*rng.NormFloat64()
				m.Mirrored = m.Dev
				if mean, variance := f.fresh(0, m.OffsetVar[0], &Effect{}); i == 0 && r >= regimes/2 {
					off[biased] += (m.Dev[0] - mean) * (m.Dev[0] - mean) / variance
				}
				f.Move(0.99, &m.OffsetVar, &Effect{})
				f.Update(&m, &Effect{})
			}
		}
		if got := f.Bias.X[0]; math.Abs(got-level) > 0.5 {
			t.Errorf("a level that is %g off is taken for %g off", level, got)
		}
		if v := f.Bias.Var[0]; v <= 0 || v > 0.1 {
			t.Errorf("after %d regimes the variance of the level's error is %g", regimes, v)
		}
	}
	if off[true] > 1.5*off[false] {
		t.Errorf("regimes about a wrong level surprise by %.1f, those about a right one by %.1f", off[true], off[false])
	}
}

// TestForecastHasRoom: an epoch so far out that a float64 cannot hold its density is still weighed.
func TestForecastHasRoom(t *testing.T) {
	s := newScene(rand.New(rand.NewPCG(6, 6)), 1)
	m := s.ms[0]
	m.Unseen, m.Swap = 0.01, 0.01
	for j := range dim {
		m.Dev[j] = 1e30
	}
	m.Mirrored = m.Dev
	f := s.start
	if got := f.Update(&m, &s.effect); math.IsNaN(got) || math.IsInf(got, 0) || got > -500 {
		t.Errorf("log density %g", got)
	}
}
