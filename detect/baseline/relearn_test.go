package baseline

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/feature"
	"diastole/model/pump"
)

// TestLearnAfter: a rebuilt pump that is a few per cent slower than the best that it has been and was seen at one operating point only
// is known better elsewhere with the old baseline as prior than without, and its level is its own.
func TestLearnAfter(t *testing.T) {
	m, err := pump.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 3))
	// ln rate = level + 0.9 (head - mid) + 0.35 air, steeper than the general prior has it.
	truth := func(level float64, op Op) float64 { return level + 0.9*(op.Head-headMid) + 0.35*op.Air }
	stretch := func(level float64, ops []Op) (out []Sample) {
		for i := range 60 {
			op := ops[i%len(ops)]
			o := Observation{Op: op}
			o.Val[feature.StrokeRate], o.Var[feature.StrokeRate], o.Has[feature.StrokeRate] = truth(level, op)+0.003*rng.NormFloat64(), 1e-6, true
			out = append(out, Sample{At: time.Unix(int64(i)*3600, 0), Obs: o})
		}
		return out
	}
	wide := []Op{OpOf(5e5, 3.5e5), OpOf(4e5, 3e5), OpOf(6e5, 3e5), OpOf(5.5e5, 4.5e5), OpOf(4.5e5, 1.5e5)}
	narrow := wide[:1]
	best := Learn(m, stretch(1.0, wide))
	without, with := Learn(m, stretch(0.96, narrow)), LearnAfter(m, best, stretch(0.96, narrow))
	const j = feature.StrokeRate
	for _, op := range wide {
		a, va := without.Expect(op)
		b, vb := with.Expect(op)
		want := truth(0.96, op)
		if math.Abs(b[j]-want) > 0.03 {
			t.Errorf("at head %.2f, air %.2f: %.3f, the truth is %.3f", op.Head, op.Air, b[j], want)
		}
		if op != narrow[0] && (math.Abs(b[j]-want) > math.Abs(a[j]-want)+0.01 || vb[j] >= va[j]) {
			t.Errorf("at head %.2f: %.3f with a variance of %.2g after the best, %.3f with %.2g without; the truth is %.3f", op.Head, b[j], vb[j], a[j], va[j], want)
		}
	}
}

// TestGenericKnowsEverything in general, and the asymmetries as about nothing.
func TestGenericKnowsEverything(t *testing.T) {
	m, err := pump.Generic("generic-two-inch")
	if err != nil {
		t.Fatal(err)
	}
	g := Generic(m)
	mean, v := g.Expect(OpOf(5e5, 3e5))
	for j := range Dim {
		if !g.Known[j] || !(v[j] > 0) || g.Coef[j].Noise <= 0 {
			t.Errorf("%s is not known", feature.ID(j))
		}
	}
	if mean[feature.Asymmetry] != 0 || math.Sqrt(v[feature.Asymmetry]) > 0.05 {
		t.Errorf("asymmetry %g, %g", mean[feature.Asymmetry], math.Sqrt(v[feature.Asymmetry]))
	}
}
