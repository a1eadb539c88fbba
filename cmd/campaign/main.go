// Command campaign tells how well the detection does on pumps that nobody tuned it for: it simulates many pumps that
// are not those that the signatures came from, each with one fault, one change of its process or nothing wrong, runs
// them through the monitor, and writes what came of each kind as a Markdown table.
package main

import (
	"flag"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
)

func main() { os.Exit(run()) }

func run() int {
	out := flag.String("o", "", "the table to write, else standard output")
	explain := flag.String("explain", "", "a file to write about each case that did not come out as it should")
	cases := flag.Int("cases", 3, "how many pumps of each kind to simulate")
	seed := flag.Uint64("seed", 1, "fixes all that is random")
	only := flag.String("kind", "", "only the kinds whose name contains this")
	kept := flag.String("epochs", "", "a folder that keeps what was simulated; the cases that it holds are not simulated again")
	flag.Parse()
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))

	var trials []*trial
	for n := range *cases { // some of each kind first
		for _, k := range kinds {
			if strings.Contains(k.name, *only) {
				trials = append(trials, newTrial(k, *seed, n))
			}
		}
	}
	if len(trials) == 0 {
		fmt.Fprintf(os.Stderr, "-kind %q with -cases %d leaves nothing to do; the kinds are %s\n", *only, *cases, kindNames())
		return 2
	}
	begun := time.Now()
	var g errgroup.Group
	g.SetLimit(runtime.NumCPU())
	for _, t := range trials {
		g.Go(func() error { return t.run(archive(*kept), log) })
	}
	err := g.Wait()
	if err == nil {
		err = write(*out, table(trials, *seed))
	}
	if err == nil && *explain != "" {
		err = write(*explain, explanations(trials))
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	log.Info("done", "cases", len(trials), "took", time.Since(begun).Round(time.Second))
	return 0
}

func write(file, text string) error {
	if file == "" {
		_, err := os.Stdout.WriteString(text)
		return err
	}
	return os.WriteFile(file, []byte(text), 0o644)
}
