package feature

import (
	"math"
	"testing"
	"time"
)

// found runs a synth through a builder and returns the edges that it found, s from the start.
func (s synth) found(t testing.TB) (found, truth []float64) {
	t.Helper()
	chunks, truth := s.make()
	b := NewBuilder(s.settings())
	for _, c := range chunks {
		b.Push(c)
	}
	// The end of the stretch is settled, that of the burst not: the strokes are still there to be looked at.
	b.Advance(start.Add(time.Duration((s.seconds + 1) * 1e9)))
	for i, r := range b.st.Epoch.Strokes {
		end := float64(r.End-start.UnixNano()) / 1e9
		if i == 0 {
			found = append(found, end-r.Dur)
		}
		found = append(found, end)
	}
	return found, truth
}

// compare matches found to true edges and returns the rms error about a constant offset, and how many are missing and extra.
// Edges within margin of either end, where the dip is cut off, are not asked for.
func compare(found, truth []float64, margin, end float64) (rms float64, missing, extra int) {
	var errs []float64
	j := 0
	for _, e := range truth {
		for j < len(found) && found[j] < e-0.04 {
			if found[j] > margin && found[j] < end-margin {
				extra++
			}
			j++
		}
		if j < len(found) && found[j] <= e+0.04 {
			errs = append(errs, found[j]-e)
			j++
		} else if e > margin && e < end-margin {
			missing++
		}
	}
	var sum, sq float64
	for _, e := range errs {
		sum += e
	}
	mean := sum / float64(len(errs))
	for _, e := range errs {
		sq += (e - mean) * (e - mean)
	}
	return math.Sqrt(sq / float64(len(errs))), missing, extra
}

func TestStrokes(t *testing.T) {
	with := func(f func(*synth)) synth {
		s := plain()
		f(&s)
		return s
	}
	cases := []struct {
		name string
		s    synth
		rms  float64 // samples
	}{
		{"plain", plain(), 0.3},
		{"slow", with(func(s *synth) { s.rate = 0.6; s.seconds = 55 }), 0.3},
		{"fast", with(func(s *synth) { s.rate = 8; s.recover = 0.015; s.sag = [2]float64{3e4, 3e4} }), 0.3},
		{"fastest", with(func(s *synth) { s.rate = 10; s.recover = 0.012; s.sag = [2]float64{2e4, 2e4} }), 0.3},
		{"50 Hz", with(func(s *synth) { s.fs = 50 }), 0.3},
		{"500 Hz, noise 2 %", with(func(s *synth) { s.fs = 500; s.noise = 0.02 }), 3},
		{"1000 Hz", with(func(s *synth) { s.fs = 1000 }), 1},
		{"noise 0.5 %", with(func(s *synth) { s.noise = 0.005 }), 0.3},
		{"noise 1 %", with(func(s *synth) { s.noise = 0.01 }), 0.4},
		{"low pressure", with(func(s *synth) {
			s.inlet, s.discharge, s.dip, s.sag = 1.5e5, 0.8e5, [2]float64{1e4, 1e4}, [2]float64{2e4, 2e4}
		}), 0.3},
		{"big inlet volume", with(func(s *synth) { s.dip = [2]float64{6e3, 6e3}; s.noise = 0.001 }), 0.3},
		{"damped discharge", with(func(s *synth) { s.sag = [2]float64{500, 500} }), 0.3},
		{"limp 20 %", with(func(s *synth) { s.asymmetry = -0.2 }), 0.3},
		{"limp 50 %", with(func(s *synth) { s.asymmetry = 0.5 }), 0.3},
		{"one dip five times smaller", with(func(s *synth) { s.asymmetry = -0.3; s.dip[1] = 6e3 }), 0.35},
		{"the other one", with(func(s *synth) { s.asymmetry = 0.3; s.dip[0] = 6e3; s.sag[0] = 2e4 }), 0.35},
		{"one dip and sag small, no asymmetry", with(func(s *synth) { s.asymmetry = 0; s.dip[0] = 8e3; s.sag[0] = 2e4 }), 0.35},
		{"hesitating", with(func(s *synth) { s.hesitate = 0.1 }), 0.3},
		{"hesitating much", with(func(s *synth) { s.hesitate = 0.4 }), 0.3},
		{"drifting", with(func(s *synth) { s.drift = 0.3 }), 0.3},
		{"slow recovery", with(func(s *synth) { s.recover = 0.08 }), 0.3},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			found, truth := c.s.found(t)
			rms, missing, extra := compare(found, truth, 0.1, c.s.seconds)
			if missing > 0 || extra > 0 {
				t.Errorf("%d of %d strokes missing, %d too many", missing, len(truth), extra)
			}
			if r := rms * c.s.fs; !(r <= c.rms) {
				t.Errorf("stroke times are off by %.2f samples rms, want at most %.2f", r, c.rms)
			}
			t.Logf("%d strokes, rms %.3f samples", len(truth), rms*c.s.fs)
		})
	}
}
