package baseline

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

func TestZZ(t *testing.T) {
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
		b, vb := after.Expect(op)
		for j := range Dim {
			if m := math.Abs(b[j]-a[j]) / math.Sqrt(va[j]); m > 0.6 {
				fmt.Println(seed, j, m, "true spread, noise", s.coef[j].Spread, s.coef[j].Noise, "clean", before.Coef[j].Spread, before.Coef[j].Noise, math.Sqrt(va[j]), "wild", after.Coef[j].Spread, after.Coef[j].Noise, math.Sqrt(vb[j]))
				fmt.Println("   ", before.Coef[j].Mean, after.Coef[j].Mean)
			}
		}
	}
}
