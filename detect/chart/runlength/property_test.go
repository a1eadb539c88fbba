package runlength_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"diastole/detect/chart/runlength"

	"pgregory.net/rapid"
)

// TestSimulated runs the charts themselves: the mean run length lies within 4 standard errors of the computed one.
func TestSimulated(t *testing.T) {
	rng := rand.New(rand.NewPCG(2026, 1))
	check := func(what string, computed float64, run func() int) {
		t.Helper()
		const n = 4000
		sum, sq := 0.0, 0.0
		for range n {
			x := float64(run())
			sum += x
			sq += x * x
		}
		mean := sum / n
		se := math.Sqrt((sq/n - mean*mean) / n)
		if math.Abs(mean-computed) > 4*se {
			t.Errorf("%s: computed %.4f, simulated %.4f with standard error %.4f", what, computed, mean, se)
		}
	}
	cusum := func(k, h, s0 float64, mean func(n int) float64) func() int {
		return func() int {
			s := s0
			for n := 1; ; n++ {
				if s = upper(s, mean(n)+rng.NormFloat64(), k); s > h {
					return n
				}
			}
		}
	}
	level := func(mu float64) func(int) float64 { return func(int) float64 { return mu } }
	check("CUSUM in control", runlength.CUSUM(0.5, 4, 0), cusum(0.5, 4, 0, level(0)))
	check("CUSUM, shift", runlength.CUSUM(0.25, 8, 0.5), cusum(0.25, 8, 0, level(0.5)))
	check("headstart", runlength.CUSUMHeadstart(0.5, 5, 0.5, 4), cusum(0.5, 5, 4, level(0.5)))
	check("drift", runlength.CUSUMDrift(0.5, 5, 0.01), cusum(0.5, 5, 0, func(n int) float64 { return 0.01 * float64(n) }))
	check("two-sided, headstart", runlength.CUSUMTwoSidedHeadstart(0.5, 4, 0.25, 2), func() int {
		up, low := 2.0, 2.0
		for n := 1; ; n++ {
			x := 0.25 + rng.NormFloat64()
			up, low = upper(up, x, 0.5), upper(low, -x, 0.5)
			if max(up, low) > 4 {
				return n
			}
		}
	})
	check("steady state", runlength.CUSUMSteadyDelay(0.5, 4, 1), func() int {
		for { // a chart that has not signalled in 60 observations has forgotten its start
			s := 0.0
			for n := 0; n < 60 && s <= 4; n++ {
				s = upper(s, rng.NormFloat64(), 0.5)
			}
			for n := 1; s <= 4; n++ {
				if s = upper(s, 1+rng.NormFloat64(), 0.5); s > 4 {
					return n
				}
			}
		}
	})
	check("EWMA", runlength.EWMA(0.2, 2.5, 0.5), func() int {
		z := 0.0
		for n := 1; ; n++ {
			if z = smooth(z, 0.5+rng.NormFloat64(), 0.2); math.Abs(z) > 2.5*math.Sqrt(0.2/1.8) {
				return n
			}
		}
	})
	check("MEWMA", runlength.MEWMA(3, 0.2, 10), func() int {
		var z [3]float64
		for n := 1; ; n++ {
			q := 0.0
			for j := range z {
				z[j] = smooth(z[j], rng.NormFloat64(), 0.2)
				q += z[j] * z[j]
			}
			if q*1.8/0.2 > 10 {
				return n
			}
		}
	})
}

// TestMEWMAOfOneCoordinate: it is the two-sided EWMA, by another kernel.
func TestMEWMAOfOneCoordinate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lambda := rapid.Float64Range(0.05, 1).Draw(t, "lambda")
		l := rapid.Float64Range(0.5, 4).Draw(t, "l")
		a, b := runlength.MEWMA(1, lambda, l*l), runlength.EWMA(lambda, l, 0)
		if math.Abs(a/b-1) > 1e-9 {
			t.Fatalf("MEWMA %g, EWMA %g", a, b)
		}
	})
}

// TestShewhart: with lambda 1 the charts have no memory, and their ARL is one over the chance of a signal.
func TestShewhart(t *testing.T) {
	for _, h := range []float64{1, 4, 9, 16} {
		// The chi-square distribution of 2 degrees of freedom is exponential.
		near(t, h, runlength.MEWMA(2, 1, h), math.Exp(h/2), 1e-9)
	}
}

// TestRareSignals: where the start is forgotten at once, ln ARL grows by 2k for every unit of h (Siegmund 1985, eq. 2.57), to
// ARLs far beyond the rounding of 1 - 1/ARL.
func TestRareSignals(t *testing.T) {
	for _, k := range []float64{0.5, 1} {
		for h := 10.0; h <= 40; h += 5 {
			near(t, fmt.Sprint(k, h), math.Log(runlength.CUSUM(k, h+1, 0)/runlength.CUSUM(k, h, 0)), 2*k, 5e-4)
		}
	}
}

// TestOrder: an ARL rises with the limit and the reference value, falls with the shift and the headstart, and a survival falls with
// time; the limit gives back the ARL that it was asked for.
func TestOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(0, 1.5).Draw(t, "k")
		h := rapid.Float64Range(0.2, 12).Draw(t, "h")
		mu := rapid.Float64Range(-1, 3).Draw(t, "mu")
		arl := runlength.CUSUM(k, h, mu)
		falls := func(what string, x float64) {
			if !(x >= 1 && x < arl) {
				t.Fatalf("%s: ARL %g, before %g", what, x, arl)
			}
		}
		falls("lower limit", runlength.CUSUM(k, h*0.95, mu))
		falls("larger shift", runlength.CUSUM(k, h, mu+0.1))
		falls("headstart", runlength.CUSUMHeadstart(k, h, mu, h/2))
		falls("two sides", runlength.CUSUMTwoSided(k, h, mu)*(1-1e-9))

		n := rapid.Int64Range(0, 2000).Draw(t, "n")
		p, q := runlength.CUSUMSurvival(k, h, mu, n), runlength.CUSUMSurvival(k, h, mu, n+1)
		if !(p <= 1 && q <= p) || q == p && p > 1e-300 && p < 1 {
			t.Fatalf("P(N > %d) = %g, P(N > %d) = %g", n, p, n+1, q)
		}

		if in := runlength.CUSUM(k, h, 0); in < 1e12 {
			if got := runlength.CUSUMLimit(k, in); math.Abs(got/h-1) > 1e-9 {
				t.Fatalf("limit %g, want %g", got, h)
			}
		}
	})
}

// TestSurvivalSums: the ARL is the sum of the survival over all n, and rare signals come at a constant rate.
func TestSurvivalSums(t *testing.T) {
	sum := 0.0
	for n := int64(0); ; n++ {
		p := runlength.CUSUMSurvival(0.25, 3, 0.5, n)
		sum += p
		if p < 1e-13 {
			break
		}
	}
	near(t, "sum", sum, runlength.CUSUM(0.25, 3, 0.5), 1e-10)

	const h, n = 14, int64(3_000_000_000)
	near(t, "rare", math.Log(runlength.CUSUMSurvival(0.5, h, 0, n)), -float64(n)/runlength.CUSUM(0.5, h, 0), 1e-4)
}

// TestPanics: arguments that mean nothing.
func TestPanics(t *testing.T) {
	nan := math.NaN()
	for name, f := range map[string]func(){
		"h 0":              func() { runlength.CUSUM(0.5, 0, 0) },
		"k NaN":            func() { runlength.CUSUM(nan, 5, 0) },
		"mu infinite":      func() { runlength.CUSUM(0.5, 5, math.Inf(1)) },
		"headstart":        func() { runlength.CUSUMHeadstart(0.5, 5, 0, 6) },
		"headstart, two":   func() { runlength.CUSUMTwoSidedHeadstart(0.5, 5, 0, 3) },
		"k negative":       func() { runlength.CUSUMTwoSided(-0.5, 5, 0) },
		"limit, k":         func() { runlength.CUSUMLimit(-0.5, 100) },
		"limit, ARL":       func() { runlength.CUSUMLimit(0.5, 3) },
		"slope":            func() { runlength.CUSUMDrift(0.5, 5, 0) },
		"n":                func() { runlength.CUSUMSurvival(0.5, 5, 0, -1) },
		"states":           func() { runlength.CUSUMMarkov(0.5, 5, 0, 1) },
		"Markov, h":        func() { runlength.CUSUMMarkov(0.5, -5, 0, 10) },
		"Siegmund":         func() { runlength.CUSUMSiegmund(nan, 5, 0) },
		"Siegmund, h":      func() { runlength.CUSUMSiegmund(0.5, 0, 0) },
		"lambda 0":         func() { runlength.EWMA(0, 3, 0) },
		"lambda 2":         func() { runlength.EWMALimit(2, 100) },
		"EWMA limit":       func() { runlength.EWMA(0.1, 0, 0) },
		"EWMA, wanted ARL": func() { runlength.EWMALimit(0.1, 1) },
		"p":                func() { runlength.MEWMA(0, 0.1, 9) },
		"MEWMA limit":      func() { runlength.MEWMA(2, 0.1, -9) },
		"MEWMA, ARL":       func() { runlength.MEWMALimit(2, 0.1, nan) },
	} {
		t.Run(name, func(t *testing.T) {
			defer func() {
				if r, ok := recover().(string); !ok || len(r) < 12 || r[:11] != "runlength: " {
					t.Errorf("panics with %v", r)
				}
			}()
			f()
		})
	}
}
