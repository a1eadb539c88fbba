package robust

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
	if want == 0 {
		return -math.Log10(math.Abs(got))
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func readCSV(t *testing.T, file string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "strd", file))
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

// TestStRD checks mean, standard deviation and lag-one autocorrelation against NIST's certified values
// (https://www.itl.nist.gov/div898/strd/univ/homepage.html). NumAcc3 and NumAcc4 lose digits where their decimals become binary.
func TestStRD(t *testing.T) {
	least := map[string]float64{"NumAcc3": 9, "NumAcc4": 8}
	for _, row := range readCSV(t, "certified.csv") {
		var x []float64
		for _, r := range readCSV(t, row[0]+".csv") {
			x = append(x, number(t, r[0]))
		}
		want := 9.0
		if v, ok := least[row[0]]; ok {
			want = v
		}
		for _, c := range []struct {
			name      string
			got, cert float64
		}{
			{"mean", Mean(x), number(t, row[2])},
			{"standard deviation", StdDev(x), number(t, row[3])},
			{"autocorrelation", Autocorrelation(x, 1), number(t, row[4])},
		} {
			if d := lre(c.got, c.cert); d < want {
				t.Errorf("%s: %s is %.15g, certified %.15g: %.1f digits, want %g", row[0], c.name, c.got, c.cert, d, want)
			}
		}
	}
}

// TestSeries checks against scipy and numpy; testdata/series.json tells of which series.
func TestSeries(t *testing.T) {
	data, err := os.ReadFile("testdata/series.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		First []float64          `json:"x_first"`
		Stats map[string]float64 `json:"stats"`
	}
	if err := json.Unmarshal(data, &ref); err != nil {
		t.Fatal(err)
	}
	x := make([]float64, 256)
	seed := uint64(12345)
	for i := range x {
		seed = (1103515245*seed + 12345) % (1 << 31)
		u := float64(seed)/(1<<31) - 0.5
		s := float64(i) / 64
		x[i] = 1 + 0.8*math.Sin(2*math.Pi*5*s+0.3) + 0.25*math.Cos(2*math.Pi*10*s-1) + 0.2*u
	}
	for i, want := range ref.First {
		if math.Abs(x[i]-want) > 1e-9 {
			t.Fatalf("x[%d] is %v, want %v: the series is not rebuilt", i, x[i], want)
		}
	}
	for name, got := range map[string]float64{
		"mean": Mean(x), "sd_n_minus_1": StdDev(x), "median": Median(x, nil), "mad_raw": MAD(x, nil),
		"mad_normal_scaled": MADScale * MAD(x, nil), "p05_linear": Quantile(x, 0.05, nil), "p95_linear": Quantile(x, 0.95, nil),
	} {
		if want, ok := ref.Stats[name]; !ok || lre(got, want) < 9 {
			t.Errorf("%s is %.12g, want %.12g", name, got, want)
		}
	}
}

func TestEmptyAndShort(t *testing.T) {
	for name, v := range map[string]float64{
		"quantile": Quantile(nil, 0.5, nil), "MAD": MAD(nil, nil), "mean": Mean(nil), "deviation": StdDev([]float64{1}),
		"autocorrelation": Autocorrelation([]float64{1}, 1), "error": MeanError([]float64{1, 2}, 1),
	} {
		if !math.IsNaN(v) {
			t.Errorf("%s of too little is %v, want NaN", name, v)
		}
	}
	defer func() {
		if recover() == nil {
			t.Error("a quantile beyond 1 does not panic")
		}
	}()
	Quantile([]float64{1}, 1.5, nil)
}

// TestMeanErrorCovers wants the scatter of means of many series to be what MeanError says, for white series and for ones
// whose neighbours are correlated (a moving average of two: lag-one correlation 0.5).
func TestMeanErrorCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, correlated := range []bool{false, true} {
		var square, claimed float64
		const series, n = 4000, 40
		for range series {
			x := make([]float64, n)
			last := rng.NormFloat64()
			for i := range x {
				v := rng.NormFloat64()
				x[i] = v
				if correlated {
					x[i] = (v + last) / math.Sqrt2
				}
				last = v
			}
			m := Mean(x)
			square += m * m
			se := MeanError(x, 1)
			claimed += se * se
		}
		// The ratio of variances; its own scatter is about 3 %.
		if r := claimed / square; r < 0.9 || r > 1.1 {
			t.Errorf("correlated %v: claimed variance of the mean is %.2f of the true one", correlated, r)
		}
	}
}

// TestOutliersAreLeftOut wants Kept to drop wild values and nothing but them.
func TestOutliersAreLeftOut(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(0.9, 1.1), 10, 60).Draw(rt, "x")
		wild := rapid.IntRange(0, len(x)/5).Draw(rt, "wild")
		all := append([]float64(nil), x...)
		for range wild {
			all = append(all, 100)
		}
		if MAD(all, nil) == 0 {
			rt.Skip("more than half are the same")
		}
		for _, v := range Kept(nil, all, 4, nil) {
			if v == 100 {
				rt.Fatal("a wild value is kept")
			}
		}
	})
}
