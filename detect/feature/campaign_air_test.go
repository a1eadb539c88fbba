//go:build campaign

package feature

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"diastole/model/pump"
)

var (
	airTrials = flag.Int("air.trials", 240, "pumps of each kind")
	airTable  = flag.String("air.table", "", "file that the table is written to")
)

// airTally counts how one way of knowing did.
type airTally struct{ n, inside, within int }

// TestCampaignAirUse writes how far air and liquid per stroke are off and how often their standard errors cover, over scattered
// pumps of all sizes, half of which have an air valve that leaks.
func TestCampaignAirUse(t *testing.T) {
	names := []string{
		"air, metered", "air, virtual from a sensed supply, tight air valve", "air, virtual from a stall, tight air valve",
		"air less the stall's, virtual from a stall, leaking air valve", "air, filling, tight air valve", "liquid, metered",
		"air, virtual from a sensed supply, leaking air valve",
	}
	bounds := []float64{0.015, 0.05, 0.05, 0.05, 0.15, 0.015, 0.05}
	tally := make([]airTally, len(names))
	squares := make([]float64, len(names))
	add := func(k int, v Value, want float64) {
		if !v.Valid {
			return
		}
		off := v.V - want
		tally[k].n++
		squares[k] += off * off / want / want
		if math.Abs(off) <= 1.96*v.SE {
			tally[k].inside++
		}
		if math.Abs(off) <= bounds[k]*want {
			tally[k].within++
		}
	}
	models := pump.GenericNames()
	for i := range *airTrials {
		rng := rand.New(rand.NewPCG(uint64(i), 31))
		a := airTrial{model: models[i%len(models)], seed: 1000 + uint64(i), supply: i/len(models)%2 == 1}
		if i/2/len(models)%2 == 1 {
			a.leak = rng.Float64()
		}
		e, trueAir, trueLiquid, leaked := a.run(t)
		add(0, e.Air[AirMetered], trueAir)
		switch {
		case a.supply && a.leak == 0:
			add(1, e.Air[AirVirtual], trueAir)
		case a.supply:
			add(6, e.Air[AirVirtual], trueAir)
		case a.leak == 0:
			add(2, e.Air[AirVirtual], trueAir)
		default:
			add(3, e.Air[AirVirtual], trueAir-leaked)
		}
		if a.leak == 0 {
			add(4, e.Air[AirFilling], trueAir)
		}
		add(5, e.LiquidPerStroke, trueLiquid)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "| per stroke | pumps | rms error | within the bound | bound | inside 1.96 standard errors |\n|---|---|---|---|---|---|\n")
	for k, name := range names {
		n := float64(tally[k].n)
		fmt.Fprintf(&b, "| %s | %d | %.2f %% | %.1f %% | %.1f %% | %.1f %% |\n", name, tally[k].n, 100*math.Sqrt(squares[k]/n),
			100*float64(tally[k].within)/n, 100*bounds[k], 100*float64(tally[k].inside)/n)
	}
	t.Log("\n" + b.String())
	if *airTable != "" {
		if err := os.WriteFile(*airTable, []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
