package baseline

import (
	"math"
	"slices"
	"testing"
	"time"

	"diastole/detect/feature"
)

// The shapes of learning stretches: regimes, and epochs in each.
var shapes = []struct {
	name            string
	regimes, epochs int
}{
	{"one regime for days", 1, 60},
	{"a regime a shift", 8, 8},
	{"a new regime every other hour", 30, 2},
}

const pumps = 16 // of each shape; every one gives all coordinates

// TestLearnIsHonest draws pumps from what is believed of them, learns each, and then moves it to regimes never seen: 95 % of
// the epochs there must lie in the 95 % interval, with the epoch's noise and without it. Somewhat more is as good: doubt
// costs delay, a false certainty false tickets.
func TestLearnIsHonest(t *testing.T) {
	for _, shape := range shapes {
		t.Run(shape.name, func(t *testing.T) {
			t.Parallel()
			const z95, least, most = 1.96, 0.92, 0.995 // some pumps stand behind the share, each with its own luck
			var noisy, still, n float64
			for seed := range uint64(pumps) {
				s := newSynthetic(seed)
				h := Learn(oneInch(), s.stretch(shape.regimes, shape.epochs))
				for range 20 {
					s.move(s.somewhere(), 1000*time.Hour)
					e := s.epoch()
					mean, offsetVar := h.Expect(s.op)
					sigma := h.Sigma(e.Obs)
					for j := range Dim {
						n++
						noisy += within(e.Obs.Val[j]-mean[j], z95*sigma[j])
						still += within(s.truth(s.op, j)+s.offset[j]-mean[j], z95*math.Sqrt(offsetVar[j]))
					}
				}
			}
			if got := noisy / n; got < least || got > most {
				t.Errorf("%.3f of the epochs lie in their 95 %% interval", got)
			}
			if got := still / n; got < least || got > most {
				t.Errorf("%.3f of the offsets lie in their 95 %% interval", got)
			}
		})
	}
}

func median(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	return x[len(x)/2]
}

// within is 1 where x lies within a bound either way, else 0.
func within(x, bound float64) float64 {
	if math.Abs(x) < bound {
		return 1
	}
	return 0
}

// TestLearnRecoversTheTruth wants back what the pumps were made of: spread and noise, by up to half an octave too large
// rather than too small, and nearly always within a factor of two; the expectation within a third of the spread, and about
// as far off as it says itself.
func TestLearnRecoversTheTruth(t *testing.T) {
	t.Parallel()
	const regimes, epochs = 40, 2
	var spread, noise []float64 // octaves above the truth
	var off []float64           // of the expectation, in spreads
	squares := 0.0
	for seed := range uint64(pumps) {
		s := newSynthetic(seed)
		h := Learn(oneInch(), s.stretch(regimes, epochs))
		for j := range Dim {
			spread = append(spread, math.Log2(h.Coef[j].Spread/s.coef[j].Spread))
			noise = append(noise, math.Log2(h.Coef[j].Noise/s.coef[j].Noise))
		}
		for range 20 {
			op := s.somewhere()
			mean, offsetVar := h.Expect(op)
			for j := range Dim {
				e := mean[j] - s.truth(op, j)
				off = append(off, math.Abs(e)/s.coef[j].Spread)
				squares += e * e / (offsetVar[j] - h.Coef[j].Spread*h.Coef[j].Spread)
			}
		}
	}
	for name, octaves := range map[string][]float64{"spread": spread, "noise": noise} {
		slices.Sort(octaves)
		at := func(q float64) float64 { return octaves[int(q*float64(len(octaves)-1))] }
		least, most := -0.3, 0.3
		if name == "spread" {
			least, most = 0, 0.75
		}
		if m := at(0.5); m < least || m > most {
			t.Errorf("the %s is off by %.2f octaves in the middle", name, m)
		}
		if low, high := at(0.05), at(0.95); low < least-0.7 || high > most+0.7 {
			t.Errorf("nine tenths of the %ses lie from %.2f to %.2f octaves off", name, low, high)
		}
	}
	if m := median(off); m > 0.35 {
		t.Errorf("expectations are off by %.2f of the spread in the middle", m)
	}
	if rms := math.Sqrt(squares / float64(len(off))); rms < 0.6 || rms > 1.2 {
		t.Errorf("expectations are off by %.2f of what the regression says of itself", rms)
	}
}

// TestLearnLeavesStandardErrorsOutOfTheNoise: what an epoch's own standard error explains is not learned as noise. Errors
// twice the noise, not told, make it log2(sqrt(5)) = 1.16 octaves larger.
func TestLearnLeavesStandardErrorsOutOfTheNoise(t *testing.T) {
	t.Parallel()
	var octaves []float64
	for seed := range uint64(pumps) {
		s := newSynthetic(seed)
		told := s.stretch(8, 8)
		for i := range told {
			for j := range Dim {
				se := 2 * s.coef[j].Noise
				told[i].Obs.Val[j] += se * s.rng.NormFloat64()
				told[i].Obs.Var[j] = se * se
			}
		}
		silent := slices.Clone(told)
		for i := range silent {
			silent[i].Obs.Var = Vector{}
		}
		a, b := Learn(oneInch(), told), Learn(oneInch(), silent)
		for j := range Dim {
			octaves = append(octaves, math.Log2(b.Coef[j].Noise/a.Coef[j].Noise))
		}
	}
	if m := median(octaves); m < 0.4 || m > 2 {
		t.Errorf("told its standard errors, the noise is %.2f octaves smaller in the middle, want 1.16 or so", m)
	}
}

// TestLearnIgnoresWildEpochs spoils one epoch in twenty by twenty times what is usual, and wants nearly what the clean
// stretch taught: by least squares the expectation would move by one usual deviation, and the noise grow fourfold.
func TestLearnIgnoresWildEpochs(t *testing.T) {
	t.Parallel()
	var moved, louder []float64
	for seed := range uint64(pumps / 2) {
		s := newSynthetic(seed)
		clean := s.stretch(10, 8)
		wild := slices.Clone(clean)
		for i := 7; i < len(wild); i += 20 {
			for j := range Dim {
				wild[i].Obs.Val[j] += 20 * (s.coef[j].Spread + s.coef[j].Noise)
			}
		}
		before, after := Learn(oneInch(), clean), Learn(oneInch(), wild)
		op := clean[0].Obs.Op
		a, va := before.Expect(op)
		b, _ := after.Expect(op)
		for j := range Dim {
			moved = append(moved, math.Abs(b[j]-a[j])/math.Sqrt(va[j]))
			louder = append(louder, math.Abs(math.Log2(after.Coef[j].Noise/before.Coef[j].Noise)))
		}
	}
	if m, worst := median(moved), slices.Max(moved); m > 0.25 || worst > 1 {
		t.Errorf("expectations moved by %.2f of their standard deviation in the middle, %.2f at worst", m, worst)
	}
	if m := median(louder); m > 1 {
		t.Errorf("the noise grew by %.2f octaves in the middle", m)
	}
}

// TestLearnKnowsWhatItDoesNotKnow: the variance of an expectation is least amid what was seen and grows on the way out.
func TestLearnKnowsWhatItDoesNotKnow(t *testing.T) {
	s := newSynthetic(1)
	h := Learn(oneInch(), s.stretch(20, 3))
	ways := map[string]func(out float64) Op{
		"nearer to stall":     func(out float64) Op { return OpOf(4.5e5, 4.5e5*(0.72+0.27*out)) },
		"nearer to free flow": func(out float64) Op { return OpOf(4.5e5, 4.5e5*0.72*(1-out)) },
		"more air":            func(out float64) Op { return OpOf(4.5e5*(1+out), 0.72*4.5e5*(1+out)) },
		"less air":            func(out float64) Op { return OpOf(4.5e5*(1-0.9*out), 0.72*4.5e5*(1-0.9*out)) },
	}
	for name, way := range ways {
		var last Vector
		for _, out := range []float64{0, 0.5, 0.75, 1} {
			_, v := h.Expect(way(out))
			for j := range Dim {
				if out > 0 && v[j] <= last[j] {
					t.Errorf("%s, %g of the way: the variance of %s fell from %g to %g", name, out, feature.ID(j), last[j], v[j])
				}
			}
			last = v
		}
	}
}

// TestLearnFindsTheSides names A and B at random in every epoch of a pump whose sides differ plainly: the names must come
// out as the first epoch has them. An epoch whose names are anchored is never renamed.
func TestLearnFindsTheSides(t *testing.T) {
	s := newSynthetic(3)
	s.coef[feature.Asymmetry] = Coef{Mean: [NumBasis]float64{0.04}, Spread: 0.005, Noise: 0.003}
	named := s.stretch(6, 6)
	free := slices.Clone(named)
	for i := range free {
		if i > 0 && s.rng.IntN(2) == 1 {
			free[i].Obs = free[i].Obs.Mirrored()
		}
		free[i].Obs.SignFree = true
	}
	if *Learn(oneInch(), free) != *Learn(oneInch(), named) {
		t.Error("names at random taught something else than names that are known")
	}
	for i := range free {
		free[i].Obs.SignFree = false
	}
	h := Learn(oneInch(), free)
	if got := h.Coef[feature.Asymmetry]; got.Noise < 0.01 {
		t.Errorf("asymmetries of ±0.04 with anchored names were learned with a noise of %g", got.Noise)
	}
}

// TestLearnKnowsOnlyWhatItSaw: a coordinate seen in too few epochs is not judged by, and lack of all data is no crash.
func TestLearnKnowsOnlyWhatItSaw(t *testing.T) {
	s := newSynthetic(4)
	samples := s.stretch(4, 8)
	for i := range samples {
		samples[i].Obs.Has[feature.AirPerStroke] = false
		samples[i].Obs.Has[feature.Ripple] = i < minLearn-1
		samples[i].Obs.Has[feature.DipDepth] = i < minLearn
	}
	h := Learn(oneInch(), samples)
	for j := range Dim {
		f := feature.ID(j)
		if want := f != feature.AirPerStroke && f != feature.Ripple; h.Known[j] != want {
			t.Errorf("%s: known is %t", f, h.Known[j])
		}
	}
	if h := Learn(oneInch(), nil); h.Known != [Dim]bool{} {
		t.Errorf("nothing taught %v", h.Known)
	}
}

// TestLearnEndsWhereThePumpStands: the last epoch's operating point, time and offset are where the watch begins.
func TestLearnEndsWhereThePumpStands(t *testing.T) {
	t.Parallel()
	in, n := 0.0, 0.0
	for seed := range uint64(pumps) {
		s := newSynthetic(seed)
		samples := s.stretch(5, 8)
		h := Learn(oneInch(), samples)
		if last := samples[len(samples)-1]; h.Last != last.Obs.Op || !h.At.Equal(last.At) {
			t.Fatalf("learning ended at %v, %v; the last epoch is at %v, %v", h.Last, h.At, last.Obs.Op, last.At)
		}
		mean, _ := h.Expect(h.Last)
		for j := range Dim {
			n++
			in += within(s.truth(s.op, j)+s.offset[j]-mean[j]-h.Offset[j], 1.96*math.Sqrt(h.OffsetVar[j]))
		}
	}
	if got := in / n; got < 0.9 {
		t.Errorf("%.3f of the last offsets lie in their 95 %% interval", got)
	}
}

// TestLearnIsRepeatable: the same samples teach the same to the last bit.
func TestLearnIsRepeatable(t *testing.T) {
	samples := newSynthetic(5).stretch(4, 6)
	if *Learn(oneInch(), samples) != *Learn(oneInch(), samples) {
		t.Error("the same stretch taught two things")
	}
}

// TestBiasIsTheLeastDoubt: the error of the level that all regimes share is less than the doubt at any operating point, and where
// more regimes were seen it is less.
func TestBiasIsTheLeastDoubt(t *testing.T) {
	few, many := newSynthetic(6), newSynthetic(6)
	a, b := Learn(oneInch(), few.stretch(3, 20)), Learn(oneInch(), many.stretch(30, 2))
	for j := range Dim {
		if a.Bias[j] <= 0 || b.Bias[j] >= a.Bias[j]*2 {
			t.Errorf("%s: learned from 3 regimes the level has the variance %g, from 30 it has %g", feature.ID(j), a.Bias[j], b.Bias[j])
		}
	}
	for range 100 {
		op := few.somewhere()
		_, v := a.Expect(op)
		for j := range Dim {
			if doubt := v[j] - a.Coef[j].Spread*a.Coef[j].Spread; a.Bias[j] > doubt*(1+1e-9) {
				t.Errorf("%s at %v: the doubt %g is less than the bias %g", feature.ID(j), op, doubt, a.Bias[j])
			}
		}
	}
}
