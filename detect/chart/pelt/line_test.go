package pelt

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// TestLine: the running totals give what the line of least squares of any stretch leaves, as gonum fits it.
func TestLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-100, 100), 3, 40).Draw(t, "x")
		from := rapid.IntRange(0, len(x)-3).Draw(t, "from")
		to := rapid.IntRange(from+3, len(x)).Draw(t, "to")
		index := make([]float64, to-from)
		for i := range index {
			index[i] = float64(from + i)
		}
		a, b := stat.LinearRegression(index, x[from:to], nil, false)
		want := 0.0
		for i, v := range x[from:to] {
			d := v - a - b*index[i]
			want += d * d
		}
		if got := newLine(x, 1, 1).Of(from, to); math.Abs(got-want) > 1e-7*(1+want) {
			t.Fatalf("rest %g, want %g", got, want)
		}
	})
}
