// Command signatures computes what each fault and each cause does to the features of each generic pump, by simulating
// many pumps of every size, and writes the table that package diagnose embeds. It is run by go generate there, and, with
// -assembly, in package accept, for the table of what goes wrong when a pump is put together.
package main

import (
	"flag"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

	"diastole/detect/diagnose"
	"diastole/model/pump"
)

func main() { os.Exit(run()) }

func run() int {
	out := flag.String("o", "signatures.json", "the table to write")
	pumps := flag.Int("pumps", 16, "how many pumps of each model to simulate")
	only := flag.String("model", "", "one model only; the others' rows in the table stay as they are")
	rebuilt := flag.String("assembly", "", "write the table of rebuilds, good and wrong, to this file instead")
	flag.Parse()
	if *rebuilt != "" {
		if err := assembly(*rebuilt, *pumps); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		return 0
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))

	var table []diagnose.ModelTable
	models := pump.GenericNames()
	if *only != "" {
		if _, err := pump.Generic(*only); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 2
		}
		models = []string{*only}
		if data, err := os.ReadFile(*out); err == nil {
			if table, err = diagnose.DecodeTable(data); err != nil {
				fmt.Fprintf(os.Stderr, "%s: %v\n", *out, err)
				return 1
			}
		}
	}
	var g errgroup.Group
	g.SetLimit(runtime.NumCPU())
	campaigns := make([]*campaign, len(models))
	for i, name := range models {
		campaigns[i] = newCampaign(name, *pumps)
		for p := range *pumps {
			g.Go(func() error { return campaigns[i].pump(p) })
		}
	}
	if err := g.Wait(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	for i, name := range models {
		row := diagnose.ModelTable{Model: name, Signatures: campaigns[i].signatures()}
		if k := slices.IndexFunc(table, func(t diagnose.ModelTable) bool { return t.Model == name }); k >= 0 {
			table[k] = row
		} else {
			table = append(table, row)
		}
		log.Info("simulated", "model", name, "pumps", *pumps, "without_strokes", campaigns[i].still)
	}
	data, err := diagnose.EncodeTable(table)
	if err == nil {
		err = os.WriteFile(*out, data, 0o644)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}
