// Command charts measures how well changes are found where the answer is known from outside: on open data that people have
// annotated, on a hydraulic rig whose pump was made to leak, and against the bound that theory sets to any chart. It writes
// a table as Markdown and a figure as SVG.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

func main() {
	data := flag.String("data", "testdata/opendata", "folder of the open data")
	out := flag.String("o", "cmd/charts", "folder that RESULTS.md and delay.svg are written to")
	flag.Parse()
	if err := run(*data, *out); err != nil {
		fmt.Fprintln(os.Stderr, "charts:", err)
		os.Exit(1)
	}
}

func run(data, out string) error {
	curves := delays()
	text, err := results(data, curves)
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(out, "RESULTS.md"), []byte(text), 0o644); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(out, "delay.svg"), []byte(drawDelays(curves)), 0o644)
}

// results is the table of all that is measured.
func results(data string, curves []curve) (string, error) {
	var b strings.Builder
	b.WriteString(`# How changes are found where the answer is known

Made by ` + "`go run ./cmd/charts`" + ` from the open data in testdata/opendata, whose sources and licences stand beside it.

`)
	if err := annotatedTable(&b, data); err != nil {
		return "", err
	}
	if err := hydraulicTable(&b, data); err != nil {
		return "", err
	}
	delayTable(&b, curves)
	return b.String(), nil
}
