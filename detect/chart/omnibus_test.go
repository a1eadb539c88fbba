package chart

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"diastole/detect/baseline"
	"diastole/detect/chart/runlength"
)

var omnibusStart = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// TestOmnibusNIST: without offsets and with independent epochs at equal distances the chart is the textbook's MEWMA. The example is
// that of the NIST handbook, whose covariance factor is the exact one, as the chart's is.
func TestOmnibusNIST(t *testing.T) {
	f, err := os.Open("runlength/testdata/nist_mewma.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	lines = lines[1:]
	x := mat.NewDense(len(lines), 2, nil)
	want := make([]float64, len(lines))
	for i, l := range lines {
		var v [3]float64
		for k := range v {
			if v[k], err = strconv.ParseFloat(l[k], 64); err != nil {
				t.Fatal(err)
			}
		}
		x.SetRow(i, v[:2])
		want[i] = v[2]
	}
	var cov mat.SymDense
	stat.CovarianceMatrix(&cov, x, nil)
	r12 := cov.At(0, 1) / math.Sqrt(cov.At(0, 0)*cov.At(1, 1))
	o := Omnibus{Limit: math.Inf(1), Widen: 1, At: omnibusStart}
	o.Among[0][0], o.Among[1][1], o.Among[0][1], o.Among[1][0] = 1, 1, r12, r12
	const lambda = 0.1
	step := time.Duration(-math.Log1p(-lambda) * float64(memory))
	m := Measurement{Var: baseline.Vector{cov.At(0, 0), cov.At(1, 1)}}
	m.Has[0], m.Has[1] = true, true
	for i, w := range want {
		m.Dev = baseline.Vector{x.At(i, 0), x.At(i, 1)}
		if !o.Update(o.At.Add(step), &m, false) {
			t.Fatal("the chart was not looked at")
		}
		if got := o.Last.T2; math.Abs(got-w) > 5.1e-5 { // four decimals are printed
			t.Errorf("T2 number %d: got %.5f, want %.4f", i+1, got, w)
		}
		if sum := o.Last.Share[0] + o.Last.Share[1]; math.Abs(sum-o.Last.T2) > 1e-9*sum {
			t.Errorf("T2 number %d: the shares add up to %g and not to %g", i+1, sum, o.Last.T2)
		}
	}
}

// healthySignal draws what the model says of a healthy pump: offsets that last within a regime, noise that is correlated from epoch to
// epoch and among features.
type healthySignal struct {
	rng           *rand.Rand
	carry, spread float64
	among         float64 // correlation of every feature's noise with that of every other
	offset, noise baseline.Vector
	at            time.Time
}

// start draws a chart at the end of learning whose offset is not known but for its variance.
func (s *healthySignal) start(limit float64) Omnibus {
	o := Omnibus{Limit: limit, Widen: 1, At: s.at}
	for j := range dim {
		o.Carry[j], o.Regime[j] = s.carry, s.spread*s.spread
		for k := range dim {
			o.Among[j][k] = s.among
		}
		o.Among[j][j] = 1
	}
	common := s.rng.NormFloat64()
	for j := range dim {
		s.offset[j] = s.spread * s.rng.NormFloat64()
		s.noise[j] = math.Sqrt(s.among)*common + math.Sqrt(1-s.among)*s.rng.NormFloat64()
	}
	return o
}

// next lets the pump run on for dt.
func (s *healthySignal) next(dt time.Duration) Measurement {
	keep := baseline.Keep(baseline.Op{}, baseline.Op{}, dt)
	s.at = s.at.Add(dt)
	var m Measurement
	common := s.rng.NormFloat64()
	for j := range dim {
		s.offset[j] = keep*s.offset[j] + math.Sqrt(1-keep*keep)*s.spread*s.rng.NormFloat64()
		fresh := math.Sqrt(s.among)*common + math.Sqrt(1-s.among)*s.rng.NormFloat64()
		s.noise[j] = s.carry*s.noise[j] + math.Sqrt(1-s.carry*s.carry)*fresh
		m.Dev[j] = s.offset[j] + s.noise[j]
		m.Var[j], m.OffsetVar[j], m.Has[j] = 1, s.spread*s.spread, true
	}
	return m
}

// TestOmnibusChiSquared: after any sequence of epochs and pauses T2 of a healthy pump is chi-squared, which is what the exact
// covariance is for. The bounds are 4.5 standard errors of a mean, and of a count beyond the 99 % quantile.
func TestOmnibusChiSquared(t *testing.T) {
	for _, c := range []struct {
		name                 string
		spread, carry, among float64
	}{
		{"independent", 0, 0, 0},
		{"noise correlated in time", 0, 0.6, 0},
		{"noise correlated among features", 0, 0, 0.7},
		{"offsets", 2, 0, 0},
		{"all of it", 1, 0.5, 0.5},
	} {
		t.Run(c.name, func(t *testing.T) {
			const pumps, epochs = 2000, 60
			sum, beyond := 0.0, 0.0
			quantile := distuv.ChiSquared{K: float64(dim)}.Quantile(0.99)
			for i := range pumps {
				s := healthySignal{rng: rand.New(rand.NewPCG(uint64(i), 7)), carry: c.carry, spread: c.spread, among: c.among, at: omnibusStart}
				o := s.start(math.Inf(1))
				for range epochs {
					m := s.next(time.Hour + time.Duration(s.rng.ExpFloat64()*float64(2*time.Hour)))
					o.Update(s.at, &m, false)
				}
				sum += o.Last.T2
				if o.Last.T2 > quantile {
					beyond++
				}
			}
			if mean, se := sum/pumps, math.Sqrt(2*float64(dim)/pumps); math.Abs(mean-float64(dim)) > 4.5*se {
				t.Errorf("mean of T2 %.3f, want %d±%.3f", mean, dim, se)
			}
			if want, se := 0.01*pumps, math.Sqrt(0.01*pumps); math.Abs(beyond-want) > 4.5*se {
				t.Errorf("%g of %d beyond the 99 %% quantile, want %g±%.1f", beyond, pumps, want, se)
			}
		})
	}
}

// TestOmnibusRunLength: the mean time to a false alarm is that of the computed limit where epochs are independent, and longer where
// offsets and noise last. The textbook's chart starts at 0 and takes a memory to fill, the one here is warm. The bound is 4 standard
// errors of an exponential mean.
func TestOmnibusRunLength(t *testing.T) {
	const wanted, runs = 2000.0, 120
	const warm = 100 // looks, after which the start is forgotten
	limit := runlength.MEWMALimit(dim, weightAfter(LookEvery), wanted)
	for _, c := range []struct {
		name          string
		spread, carry float64
	}{{"independent", 0, 0}, {"noise correlated in time", 0, 0.6}, {"offsets", 1, 0}} {
		t.Run(c.name, func(t *testing.T) {
			sum := 0.0
			for i := range runs {
				s := healthySignal{rng: rand.New(rand.NewPCG(uint64(i), 8)), carry: c.carry, spread: c.spread, at: omnibusStart}
				o := s.start(math.Inf(1))
				for n := 0; !o.Last.Alarm; n++ {
					if n == warm {
						o.Limit = limit
					}
					m := s.next(LookEvery)
					o.Update(s.at, &m, false)
					if n >= warm {
						sum++
					}
				}
			}
			arl, se, fill := sum/runs, wanted/math.Sqrt(runs), float64(memory/LookEvery)
			t.Logf("ARL %.0f, wanted %.0f", arl, wanted)
			if arl < wanted-fill-4*se {
				t.Errorf("ARL %.0f, wanted at least %.0f±%.0f", arl, wanted-fill, se)
			}
		})
	}
}

// TestOmnibusOutlier: whatever an epoch shows whose neighbour shows nothing like it, it moves no feature's average by more than clip standard deviations of an epoch times its
// weight, and T2 stays finite.
func TestOmnibusOutlier(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := healthySignal{rng: rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 9)), spread: 1, at: omnibusStart}
		o := s.start(50)
		for i := range rapid.IntRange(1, 20).Draw(t, "epochs") {
			dt := time.Duration(rapid.Int64Range(0, int64(400*time.Hour)).Draw(t, "pause"))
			m := s.next(dt)
			j := rapid.IntRange(0, dim-1).Draw(t, "feature")
			m.Dev = o.Level
			if i%2 == 0 {
				m.Dev[j] = rapid.Float64Range(-1e12, 1e12).Draw(t, "outlier")
			}
			m.Has[rapid.IntRange(0, dim-1).Draw(t, "lacks")] = i%2 == 1
			before := o.Level
			m.Mirrored = m.Dev
			o.Update(s.at, &m, rapid.Bool().Draw(t, "mirrored"))
			bound := weightAfter(dt)*clip*math.Sqrt2*(1+1e-9) + 1e-12
			for j := range dim {
				if d := math.Abs(o.Level[j] - before[j]); d > bound {
					t.Fatalf("feature %d moved by %g, at most %g is allowed", j, d, bound)
				}
			}
			if !(o.Last.T2 >= 0) || math.IsInf(o.Last.T2, 0) {
				t.Fatalf("T2 is %g", o.Last.T2)
			}
		}
	})
}

// TestOmnibusHysteresis: an alarm ends at half the limit and not before.
func TestOmnibusHysteresis(t *testing.T) {
	s := healthySignal{rng: rand.New(rand.NewPCG(1, 10)), at: omnibusStart}
	o := s.start(40)
	begun := s.at
	alarms, highest, lowest := 0, 0.0, math.Inf(1)
	for i := range 24 * 60 {
		m := s.next(time.Hour)
		if i > 24*10 && i < 24*20 {
			m.Dev[3] += 2
		}
		was := o.Last.Alarm
		o.Update(s.at, &m, false)
		switch {
		case o.Last.Alarm && !was:
			alarms++
			if since := o.Quiet.Sub(begun).Hours(); since < 24*9 || since > 24*11 {
				t.Errorf("the change is dated %.0f h after the start, it came after 240", since)
			}
			if best := 3; argmax(o.Last.Share) != best {
				t.Errorf("feature %d contributes most, want %d", argmax(o.Last.Share), best)
			}
		case o.Last.Alarm:
			lowest = min(lowest, o.Last.T2)
		default:
			highest = max(highest, o.Last.T2)
		}
	}
	if alarms != 1 || o.Last.Alarm {
		t.Errorf("%d alarms (standing: %v), want one that is over", alarms, o.Last.Alarm)
	}
	if highest > o.Limit || lowest < release*o.Limit {
		t.Errorf("T2 was up to %.1f without alarm and down to %.1f with one, the limit is %.1f", highest, lowest, o.Limit)
	}
}

func argmax(x baseline.Vector) (at int) {
	for j := range x {
		if x[j] > x[at] {
			at = j
		}
	}
	return at
}

// TestOmnibusAllocates nothing.
func TestOmnibusAllocates(t *testing.T) {
	s := healthySignal{rng: rand.New(rand.NewPCG(1, 11)), spread: 1, at: omnibusStart}
	o := s.start(50)
	m := s.next(time.Hour)
	if n := testing.AllocsPerRun(100, func() {
		s.at = s.at.Add(time.Hour)
		o.Update(s.at, &m, false)
	}); n != 0 {
		t.Errorf("%g allocations an update", n)
	}
}

// BenchmarkOmnibus tells what an epoch of a minute costs, and what one that is looked at.
func BenchmarkOmnibus(b *testing.B) {
	for _, c := range []struct {
		name string
		dt   time.Duration
	}{{"epoch", time.Minute}, {"look", LookEvery}} {
		b.Run(c.name, func(b *testing.B) {
			s := healthySignal{rng: rand.New(rand.NewPCG(1, 11)), spread: 1, among: 0.3, at: omnibusStart}
			o := s.start(50)
			m := s.next(time.Hour)
			b.ReportAllocs()
			for b.Loop() {
				s.at = s.at.Add(c.dt)
				o.Update(s.at, &m, false)
			}
		})
	}
}
