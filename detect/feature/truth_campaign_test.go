//go:build campaign

package feature

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"diastole/model/pump"
)

var (
	truthTable   = flag.String("truth.table", "", "write the table of TestTruthCampaign to this file")
	truthSeconds = flag.Int("truth.seconds", 50, "seconds of each run, at most 55")
	truthRuns    = flag.Int("truth.runs", 1, "runs of each condition")
	truthSeed    = flag.Uint64("truth.seed", 1, "seed of the first run")
)

// truthHead begins the table's file.
const truthHead = `# Strokes against the truth

Made by TestTruthCampaign (see DEVELOPERS.md): every generic size of ` + "`model/plant`" + ` at its reference duty, sound and with each fault at half
and full size, sampled as sensors with white noise relative to the reading would, with a counter read once a second. The truth is the
moment at which the spool passes the middle. The times' rms is about the mean offset of each run; the limit beside it is the
Cramer-Rao bound of a waveform that is known but for its place (Kay, Fundamentals of Statistical Signal Processing I, 1993,
sec. 3.11), from both channels over the whole stroke; it knows nothing of what a pump scatters between spool and pressure,
some 0.3 ms here, which no estimate can see. Missing and too many: of sound pumps and all faults but a sticking valve / of a sticking valve,
whose hangs leave changeovers without a dip. An edge further off than a third of the shortest stroke counts as both.

`

// TestTruthCampaign measures the strokes against the truth of model/plant over all sizes, faults, sampling rates and noises.
func TestTruthCampaign(t *testing.T) {
	rates := []int{50, 100, 200, 500, 1000}
	noises := []float64{0.001, 0.005, 0.02}
	type key struct {
		fs     int
		noise  float64
		sticks bool
	}
	all := map[key]*outcome{}
	for _, c := range conditions() {
		for run := range *truthRuns {
			c.run(t, *truthSeconds, *truthSeed+uint64(run), rates, noises, func(fs int, noise float64, o outcome) {
				k := key{fs, noise, c.fault == pump.AirValveSticking}
				if all[k] == nil {
					all[k] = &outcome{}
				}
				all[k].add(o)
				if testing.Verbose() {
					fmt.Printf("%d Hz %.1f%% %s: %d strokes -%d+%d rms %.2f limit %.2f samples rate %.3f%%\n", fs, 100*noise, c, o.strokes,
						o.missing, o.extra, o.rms()*float64(fs), math.Sqrt(o.limit/float64(o.compared))*float64(fs), 100*o.rate)
				}
			})
		}
	}
	var out strings.Builder
	fmt.Fprint(&out, truthHead)
	fmt.Fprintf(&out, "%d runs of %d s of each condition, seeds from %d.\n\n", *truthRuns, *truthSeconds, *truthSeed)
	fmt.Fprintln(&out, "| rate, Hz | noise, % of reading | strokes | missing | too many | time rms, samples | limit, samples | time rms, ms | largest rate error of a run, % |")
	fmt.Fprintln(&out, "|---|---|---|---|---|---|---|---|---|")
	for _, fs := range rates {
		for _, noise := range noises {
			other, sticks := all[key{fs, noise, false}], all[key{fs, noise, true}]
			o := *other
			o.add(*sticks)
			fmt.Fprintf(&out, "| %d | %g | %d | %d / %d | %d / %d | %.3f | %.3f | %.2f | %.3f |\n", fs, 100*noise, o.strokes, other.missing,
				sticks.missing, other.extra, sticks.extra, o.rms()*float64(fs), math.Sqrt(o.limit/float64(o.compared))*float64(fs),
				o.rms()*1e3, 100*o.rate)
		}
	}
	t.Log("\n" + out.String())
	if *truthTable != "" {
		if err := os.WriteFile(*truthTable, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func (o *outcome) add(p outcome) {
	o.strokes += p.strokes
	o.missing += p.missing
	o.extra += p.extra
	o.square += p.square
	o.compared += p.compared
	o.limit += p.limit
	o.rate = max(o.rate, p.rate)
}
