package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
)

// table is a CSV file of numbers: its columns by name.
type table map[string][]float64

func readTable(folder, name string) (table, []string, error) {
	file := filepath.Join(folder, name+".csv")
	f, err := os.Open(file)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", file, err)
	}
	if len(rows) < 2 {
		return nil, nil, fmt.Errorf("%s: no rows", file)
	}
	t := table{}
	for i, row := range rows[1:] {
		for k, cell := range row {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				return nil, nil, fmt.Errorf("%s:%d: column %s: %w", file, i+2, rows[0][k], err)
			}
			t[rows[0][k]] = append(t[rows[0][k]], v)
		}
	}
	return t, rows[0], nil
}

// series is one annotated series: its dimensions, and for each annotator the first observations after a change.
type series struct {
	name        string
	dimensions  [][]float64
	annotations [][]int
}

func readSeries(folder string) ([]series, error) {
	file := filepath.Join(folder, "annotations.json")
	raw, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var annotations map[string]map[string][]int
	if err := json.Unmarshal(raw, &annotations); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	var out []series
	for _, name := range []string{"well_log", "run_log", "bank", "nile"} {
		t, columns, err := readTable(folder, name)
		if err != nil {
			return nil, err
		}
		s := series{name: name}
		for _, c := range columns {
			s.dimensions = append(s.dimensions, t[c])
		}
		for _, a := range annotations[name] { // the measures do not depend on their order
			s.annotations = append(s.annotations, a)
		}
		if len(s.annotations) == 0 {
			return nil, fmt.Errorf("%s: no annotations of %s", file, name)
		}
		out = append(out, s)
	}
	return out, nil
}
