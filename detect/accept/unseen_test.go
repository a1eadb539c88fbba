package accept

import (
	"slices"
	"testing"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// TestUnseenWithoutAMeter: what escapes as air is known by the air that it costs. Without a flow meter the verdict says that it may be missed.
func TestUnseenWithoutAMeter(t *testing.T) {
	table, err := DecodeTable(tableFile)
	if err != nil {
		t.Fatal(err)
	}
	m, err := pump.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	g := baseline.Generic(m)
	for _, head := range []float64{-1.4, -0.9} {
		for _, metered := range []bool{true, false} {
			l := level{swapped: 0.1, head: head}
			for j := range baseline.Dim {
				l.has[j] = metered || j != int(feature.AirPerStroke)
				l.regime[j] = g.Coef[j].Spread * g.Coef[j].Spread
				l.noise[j] = g.Coef[j].Noise * g.Coef[j].Noise / enough
			}
			got := l.unseen(table.hypotheses(), table.Fresh)
			if slices.Contains(got, ChamberMisaligned) == metered {
				t.Errorf("head %.1f, metered %v: unseen are %v", head, metered, got)
			}
		}
	}
}
