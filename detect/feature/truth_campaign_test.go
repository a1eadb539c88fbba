//go:build campaign

package feature

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
)

var (
	truthTable   = flag.String("truth.table", "", "write the table of TestTruthCampaign to this file")
	truthSeconds = flag.Int("truth.seconds", 50, "seconds of each run, at most 55")
	truthRuns    = flag.Int("truth.runs", 1, "runs of each condition")
	truthSeed    = flag.Uint64("truth.seed", 1, "seed of the first run")
)

// TestTruthCampaign measures the strokes against the truth of model/plant over all sizes, faults, sampling rates and noises.
func TestTruthCampaign(t *testing.T) {
	rates := []int{50, 100, 200, 500, 1000}
	noises := []float64{0.001, 0.005, 0.02}
	type key struct {
		fs    int
		noise float64
	}
	all := map[key]*outcome{}
	worst := map[key]string{}
	for _, fs := range rates {
		for _, noise := range noises {
			all[key{fs, noise}] = &outcome{}
		}
	}
	for _, c := range conditions() {
		for run := range *truthRuns {
			c.run(t, *truthSeconds, *truthSeed+uint64(run), rates, noises, func(fs int, noise float64, o outcome) {
				k := key{fs, noise}
				all[k].add(o)
				if o.missing+o.extra > 0 {
					worst[k] += fmt.Sprintf(" %s -%d+%d/%d;", c, o.missing, o.extra, o.strokes)
				}
				if testing.Verbose() {
					fmt.Printf("%d Hz %.1f%% %s: %d strokes -%d+%d rms %.2f limit %.2f samples rate %.3f%%\n", fs, 100*noise, c, o.strokes,
						o.missing, o.extra, o.rms()*float64(fs), math.Sqrt(o.limit/float64(o.compared))*float64(fs), 100*o.rate)
				}
			})
		}
	}
	var out strings.Builder
	fmt.Fprintln(&out, "| rate, Hz | noise, % of reading | strokes | missing | too many | time rms, samples | Cramer-Rao limit, samples | time rms, ms | largest rate error of a run, % |")
	fmt.Fprintln(&out, "|---|---|---|---|---|---|---|---|---|")
	for _, fs := range rates {
		for _, noise := range noises {
			k := key{fs, noise}
			o := all[k]
			fmt.Fprintf(&out, "| %d | %g | %d | %d | %d | %.3f | %.3f | %.2f | %.3f |\n", fs, 100*noise, o.strokes, o.missing, o.extra,
				o.rms()*float64(fs), math.Sqrt(o.limit/float64(o.compared))*float64(fs), o.rms()*1e3, 100*o.rate)
		}
	}
	t.Log("\n" + out.String())
	for k, w := range worst {
		t.Logf("%d Hz, %g %%:%s", k.fs, 100*k.noise, w)
	}
	if *truthTable != "" {
		if err := os.WriteFile(*truthTable, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
