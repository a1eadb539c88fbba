package cycle

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// lre is the number of correct digits, the measure of the NIST Statistical Reference Datasets.
func lre(got, want float64) float64 {
	if got == want {
		return 15
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func readCSV(t *testing.T, file string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "robust", "testdata", "strd", file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestStRD takes each value of NIST's univariate sets for a stroke, and wants the certified mean and standard deviation
// (https://www.itl.nist.gov/div898/strd/univ/homepage.html), also where two averages are merged.
func TestStRD(t *testing.T) {
	least := map[string]float64{"NumAcc4": 8}
	for _, row := range readCSV(t, "certified.csv") {
		var whole, first, second Half
		for i, r := range readCSV(t, row[0]+".csv") {
			var p [PerStroke]float64
			for j := range p {
				p[j] = number(t, r[0])
			}
			whole.Add(&p, 1)
			if i%3 == 0 {
				first.Add(&p, 1)
			} else {
				second.Add(&p, 1)
			}
		}
		first.Merge(&second)
		want := 9.0
		if v, ok := least[row[0]]; ok {
			want = v
		}
		for _, h := range []*Half{&whole, &first} {
			m := h.Mean()
			if d := lre(m[7], number(t, row[2])); d < want {
				t.Errorf("%s: mean %.15g, certified %s: %.1f digits", row[0], m[7], row[2], d)
			}
			if d := lre(math.Sqrt(h.Residual()), number(t, row[3])); d < want {
				t.Errorf("%s: standard deviation %.15g, certified %s: %.1f digits", row[0], math.Sqrt(h.Residual()), row[3], d)
			}
		}
	}
}

// spectral is a fixed series and its discrete Fourier transform by scipy 1.10.1 (the file tells the series' formula).
type spectral struct {
	X  []float64 `json:"x"`
	Re []float64 `json:"rfft_re"`
	Im []float64 `json:"rfft_im"`
}

func reference(t *testing.T) spectral {
	t.Helper()
	data, err := os.ReadFile("testdata/spectral.json")
	if err != nil {
		t.Fatal(err)
	}
	var s spectral
	if err := json.Unmarshal(data, &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// TestOrders holds orders against scipy's transform. Its series is printed to twelve digits.
func TestOrders(t *testing.T) {
	s := reference(t)
	for k, o := range Orders(s.X) {
		re, im := s.Re[k+1], s.Im[k+1]
		if d := lre(o.Amplitude, 2*math.Hypot(re, im)/256); d < 9 {
			t.Errorf("order %d: amplitude %.15g, %.1f digits", k+1, o.Amplitude, d)
		}
		if math.Abs(o.Phase-math.Atan2(im, re)) > 1e-9 {
			t.Errorf("order %d: phase %.15g, want %.15g", k+1, o.Phase, math.Atan2(im, re))
		}
	}
}

// TestAverage takes the series, 256 samples at 64 Hz, for four cycles of a second. The mean cycle's order k is then line 4k of the
// whole transform, and by Parseval's theorem the lines between are what is not synchronous.
func TestAverage(t *testing.T) {
	s := reference(t)
	x := make([]float32, len(s.X))
	for i, v := range s.X {
		x[i] = float32(v)
	}
	var sides Sides
	for stroke := range 8 {
		var p [PerStroke]float64
		Profile(&p, x, 1/64.0, float64(stroke)/2, 0.5)
		sides[stroke%2].Add(&p, 0.5)
	}
	w, share, period, ok := sides.Wave()
	if !ok || share != 0.5 || period != 1 {
		t.Fatalf("share %g, period %g, ok %v", share, period, ok)
	}
	const single = 1e-6 // the samples and the wave are held in single precision
	for k, o := range w.Orders() {
		re, im := s.Re[4*(k+1)], s.Im[4*(k+1)]
		if want := 2 * math.Hypot(re, im) / 256; math.Abs(o.Amplitude-want) > single {
			t.Errorf("order %d: amplitude %.9g, want %.9g", k+1, o.Amplitude, want)
		}
	}
	var sync, other float64
	for k := 1; k <= 128; k++ {
		e := 2 * (s.Re[k]*s.Re[k] + s.Im[k]*s.Im[k]) / 256 / 256
		if k == 128 {
			e /= 2 // the line at half the sampling rate stands once
		}
		if k%4 == 0 {
			sync += e
		} else {
			other += e
		}
	}
	if math.Abs(w.Synchronous()-sync) > 4*single {
		t.Errorf("synchronous %.9g, want %.9g", w.Synchronous(), sync)
	}
	// Of four cycles the mean leaves three quarters of what is not synchronous; the unbiased variance makes good for it.
	if math.Abs(w.Residual-other*4/3) > 4*single {
		t.Errorf("not synchronous %.9g, want %.9g", w.Residual, other*4/3)
	}
}

// TestMergeIsOne wants two averages merged to be the average of all, however far apart they lie.
func TestMergeIsOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var whole, a, b Half
		n := rapid.IntRange(1, 20).Draw(t, "strokes")
		for i := range n {
			var p [PerStroke]float64
			for j := range p {
				p[j] = rapid.Float64Range(-1e5, 9e5).Draw(t, "pressure")
			}
			whole.Add(&p, 0.3)
			if i < n/2 {
				a.Add(&p, 0.3)
			} else {
				b.Add(&p, 0.3)
			}
		}
		a.Merge(&b)
		m, g := whole.Mean(), a.Mean()
		for j := range m {
			if math.Abs(m[j]-g[j]) > 1e-6 {
				t.Fatalf("point %d: %g and %g", j, m[j], g[j])
			}
		}
		if u, v := whole.Residual(), a.Residual(); n > 1 && math.Abs(u-v) > 1e-9*u {
			t.Fatalf("residual %g and %g", u, v)
		}
	})
}

// TestProfileFollows wants a cubic to be followed exactly between samples: Keys' kernel reproduces polynomials of the second
// degree, and this one of the third to the size of its third difference.
func TestProfileFollows(t *testing.T) {
	x := make([]float32, 60)
	f := func(s float64) float64 { return 3 + 2*s - 0.5*s*s }
	for i := range x {
		x[i] = float32(f(float64(i) * 0.01))
	}
	var p [PerStroke]float64
	Profile(&p, x, 0.01, 0.103, 0.3)
	for j, v := range p {
		if want := f(0.103 + 0.3*float64(j)/PerStroke); math.Abs(v-want) > 1e-6 {
			t.Errorf("point %d is %g, want %g", j, v, want)
		}
	}
}

// TestJitter wants the coefficient of variation of independent cycles, none of a drift, and an error that covers.
func TestJitter(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const runs, n, cv = 400, 60, 0.02
	inside := 0
	for range runs {
		x := make([]float64, n)
		for i := range x {
			x[i] = 0.6 * (1 + cv*rng.NormFloat64()) * (1 + 0.002*float64(i)) // 12 % slower at the end
		}
		j, se := Jitter(x[:n/2], x[n/2:])
		if math.Abs(j-cv) < 1.96*se {
			inside++
		}
	}
	// Of 400 at 95 %, 368 is 2.75 standard deviations below the mean.
	if inside < 368 || inside > 394 {
		t.Errorf("%d of %d intervals hold the truth", inside, runs)
	}
	if j, _ := Jitter([]float64{1, 2, 3}); !math.IsNaN(j) {
		t.Errorf("jitter of two differences is %g", j)
	}
}
