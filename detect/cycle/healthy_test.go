package cycle

import (
	"math"
	"math/rand/v2"
	"testing"
)

// beat is a mean cycle at a head ratio x and an absolute inlet pressure: a dip at each changeover whose depth goes with the
// pressure and falls with the head ratio; stroke B's is deeper by a tenth. deep multiplies B's.
func beat(x, abs, share, deep float64, noise func() float64) Record {
	depth := 0.05 * (1 - 0.5*x)
	dip := func(u, at float64) float64 {
		d := u - at - 0.03
		d -= math.Round(d)
		return math.Exp(-d * d / (2 * 0.02 * 0.02))
	}
	r := Record{Strokes: 200, ShareA: share, Period: 0.6, Keep: true}
	inlet := abs - atmosphere
	for k := range Points {
		u := float64(k) / Points
		shape := depth * (dip(u, 0) + 1.1*deep*dip(u, share))
		r.Inlet.Pa = append(r.Inlet.Pa, float32(inlet-abs*shape+noise()))
		r.Discharge.Pa = append(r.Discharge.Pa, float32(inlet*x*(1-4*shape)+noise()))
	}
	return r
}

func quiet() float64 { return 0 }

func at(x, abs float64) Point {
	return Point{Inlet: abs - atmosphere, Discharge: (abs - atmosphere) * x}
}

// learned is a healthy cycle of n epochs at head ratios from 0.5 to 0.8 and pressures of 5 to 6 bar, with 300 Pa of noise.
func learned(n int, anchored bool) Healthy {
	rng := rand.New(rand.NewPCG(3, 3))
	var h Healthy
	for i := range n {
		x, abs := 0.5+0.3*rng.Float64(), 5e5+1e5*rng.Float64()
		r := beat(x, abs, 0.51, 1, func() float64 { return 300 * rng.NormFloat64() })
		if !anchored && i%2 == 1 {
			r = r.Swapped()
		}
		h.Learn(r, at(x, abs), anchored)
	}
	return h
}

// TestHealthyAtAnotherPoint wants the healthy cycle at pressures between those that were learned: a sound pump of today lies within
// its band at nearly all points, one whose B dip is a fifth shallower leaves it there.
func TestHealthyAtAnotherPoint(t *testing.T) {
	h := learned(60, true)
	rng := rand.New(rand.NewPCG(4, 4))
	outside := func(deep float64) (count, inDip int) {
		const trials = 40
		for range trials {
			x, abs := 0.5+0.3*rng.Float64(), 5e5+1e5*rng.Float64()
			r := beat(x, abs, 0.51, deep, func() float64 { return 300 * rng.NormFloat64() })
			in, _ := h.Expect(r, at(x, abs))
			for k, v := range r.Inlet.Pa {
				if math.Abs(float64(v)-in.Pa[k]) > in.Band[k] {
					count++
					if k >= 33 && k <= 36 {
						inDip++
					}
				}
			}
		}
		return count, inDip
	}
	sound, _ := outside(1)
	// 5 % of 40 x 64 are 128; the points of one cycle are not independent through the mean.
	if sound > 220 {
		t.Errorf("%d of 2560 points of a sound pump lie outside the 95 %% band", sound)
	}
	if _, dip := outside(0.8); dip < 140 {
		t.Errorf("of a shallow dip %d of 160 points lie outside the band", dip)
	}
	if math.Abs(h.ShareA()-0.51) > 1e-9 {
		t.Errorf("share of A %g", h.ShareA())
	}
}

// TestSlopeIsNotFollowedBeyond wants the line to end where what was seen ends.
func TestSlopeIsNotFollowedBeyond(t *testing.T) {
	h := learned(60, true)
	r := beat(0.8, 6e5, 0.51, 1, quiet)
	in1, _ := h.Expect(r, at(0.85, 6e5))
	in2, _ := h.Expect(r, at(3, 6e5))
	for k := range in1.Pa {
		if in1.Pa[k] != in2.Pa[k] {
			t.Fatalf("point %d: %g and %g", k, in1.Pa[k], in2.Pa[k])
		}
	}
}

// TestFreeSidesAreTurned wants records with free sides to be laid over each other as they fit, and known ones never.
func TestFreeSidesAreTurned(t *testing.T) {
	h := learned(30, false)
	r := beat(0.6, 5.5e5, 0.51, 1, quiet)
	for _, x := range []Record{r, r.Swapped()} {
		turned := h.Turned(x, false)
		if math.Abs(turned.ShareA-0.51) > 1e-9 {
			t.Errorf("share of A %g, turned %g, want 0.51", x.ShareA, turned.ShareA)
		}
	}
	known := learned(30, true)
	if s := known.Turned(r.Swapped(), true); s.ShareA != r.Swapped().ShareA {
		t.Error("a record with known sides was turned")
	}
	n := known.N
	known.Learn(r.Swapped(), at(0.6, 5.5e5), false)
	if known.N != n {
		t.Error("a record with free sides was learned beside known ones")
	}
	h.Learn(r, at(0.6, 5.5e5), true)
	if h.N != 1 || !h.Anchored {
		t.Error("the first record with known sides must begin anew")
	}
}

// TestSwappedTwice gives the wave back, to what interpolation loses, and keeps its mean.
func TestSwappedTwice(t *testing.T) {
	r := beat(0.6, 5.5e5, 0.5, 1, quiet)
	s := r.Swapped().Swapped()
	for k := range r.Inlet.Pa {
		if r.Inlet.Pa[k] != s.Inlet.Pa[k] {
			t.Fatalf("point %d: %g became %g", k, r.Inlet.Pa[k], s.Inlet.Pa[k])
		}
	}
}

// TestLittleSeen wants no band from few records, and nothing where nothing was seen.
func TestLittleSeen(t *testing.T) {
	h := learned(fewest-1, true)
	in, out := h.Expect(beat(0.6, 5.5e5, 0.51, 1, quiet), at(0.6, 5.5e5))
	if in.Pa == nil || in.Band != nil || out.Pa == nil || out.Band != nil {
		t.Errorf("of %d records: %v %v", fewest-1, in.Band, out.Band)
	}
	var none Healthy
	if in, out := none.Expect(beat(0.6, 5.5e5, 0.51, 1, quiet), at(0.6, 5.5e5)); in.Pa != nil || out.Pa != nil || none.ShareA() != 0 {
		t.Error("something is expected of what was never seen")
	}
	one := Record{Strokes: 10, ShareA: 0.5, Inlet: beat(0.6, 5.5e5, 0.5, 1, quiet).Inlet}
	none.Learn(one, Point{Inlet: 4.5e5, Discharge: math.NaN()}, true)
	if in, out := none.Expect(one, Point{Inlet: 4.5e5, Discharge: math.NaN()}); in.Pa == nil || out.Pa != nil {
		t.Error("one channel alone is not followed")
	}
}
