package main

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
)

const data = "../../testdata/opendata"

// TestMeasures: the worked examples that stand in the program of the measures' authors
// (https://github.com/alan-turing-institute/TCPDBench, analysis/scripts/metrics.py, as quoted in public copies of it).
func TestMeasures(t *testing.T) {
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-12 {
			t.Errorf("%s: %.16g, want %.16g", what, got, want)
		}
	}
	near("f1 of all", f1([][]int{{10, 20}, {11, 20}, {10}, {0, 5}}, []int{10, 20}), 1)
	near("f1 of one", f1([][]int{{}, {10}, {50}}, []int{10}), 0.9090909090909091)
	near("f1 of none", f1([][]int{{}, {10}, {50}}, nil), 0.8)
	near("covering of two", covering([][]int{{10, 20}, {10}, {0, 5}}, []int{10, 20}, 45), 0.7962962962962963)
	near("covering of one", covering([][]int{{}, {10}, {40}}, []int{10}, 45), 0.7954144620811286)
	near("covering of none", covering([][]int{{}, {10}, {40}}, nil, 45), 0.8189300411522634)
}

// TestAnnotated: where people agree that levels change, in the well log and in the Nile, the review of a history is at least as good as
// the plain methods.
func TestAnnotated(t *testing.T) {
	all, err := readSeries(data)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range all {
		if s.name != "well_log" && s.name != "nile" {
			continue
		}
		if len(s.annotations) != 5 {
			t.Errorf("%s has %d annotators, want 5", s.name, len(s.annotations))
		}
		best := f1(s.annotations, methods[0].find(s.dimensions))
		for _, m := range methods[1:] {
			if f := f1(s.annotations, m.find(s.dimensions)); f > best {
				t.Errorf("%s: F1 of %s is %.3f, of the review %.3f", s.name, m.name, f, best)
			}
		}
	}
}

// TestRig: no healthy block brings an alarm, and nearly all leaking ones do, in states that were not learned from.
func TestRig(t *testing.T) {
	r, err := judgeRig(data)
	if err != nil {
		t.Fatal(err)
	}
	if n := r.grades[0].alarms; n > 0 {
		t.Errorf("%d false alarms in %d healthy blocks", n, r.grades[0].blocks)
	}
	for leak, f := range r.grades[1:] {
		if f.blocks != 48 { // documentation.txt of the data: 492 cycles of each grade
			t.Errorf("grade %d has %d blocks, want 48", leak+1, f.blocks)
		}
		if f.alarms < f.blocks*85/100 {
			t.Errorf("grade %d found in %d of %d blocks", leak+1, f.alarms, f.blocks)
		}
	}
}

// TestFigure is well-formed, and its curves lie where they must: a chart that knows more is no slower.
func TestFigure(t *testing.T) {
	curves := delays()
	d := xml.NewDecoder(strings.NewReader(drawDelays(curves)))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	known, one, tracks, omnibus := curves[1].delay, curves[2].delay, curves[3].delay, curves[4].delay
	for k, s := range shifts {
		slack := 1 + 4/math.Sqrt(runs) // standard errors of a mean delay, whose spread is at most about itself
		if known[k] > one[k]*(1+1e-9) || known[k] > tracks[k]*slack || tracks[k] > omnibus[k]*slack {
			t.Errorf("shift %.2f: delays %.1f, %.1f, %.1f, %.1f", s, known[k], one[k], tracks[k], omnibus[k])
		}
	}
}
