package config

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// A file from an editor on another system is read the same, and its problems stand at the same places.
func TestLineEndings(t *testing.T) {
	for _, file := range append(files(t, "testdata/invalid-*.yaml"), files(t, "testdata/good-*.yaml")...) {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(data), "|\n") {
			continue // a block of text keeps its line breaks, so it is not the same file
		}
		want, wantErr := Parse(file, data)
		got, gotErr := Parse(file, []byte("\ufeff"+strings.ReplaceAll(string(data), "\n", "\r\n")))
		if diff := cmp.Diff(fmt.Sprint(wantErr), fmt.Sprint(gotErr)) + cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-LF +BOM and CRLF):\n%s", file, diff)
		}
	}
}

// Aliases of aliases unfold to more than memory holds; the file is refused instead.
func TestAliasesAreBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString("site: north\nmqtt: {broker: mqtt://127.0.0.1}\npumps:\n  - id: P-1\n    channels: {stroke_count: {topic: a}}\n    learn_exclude:\n      - &p [")
	b.WriteString(strings.Repeat("x, ", 1000) + "x]\n")
	for range 5000 {
		b.WriteString("      - *p\n")
	}
	_, err := Parse("test.yaml", []byte(b.String()))
	if err == nil || !strings.Contains(err.Error(), "the file unfolds to more than") {
		t.Errorf("got %.300v", err)
	}
}

func TestTooLong(t *testing.T) {
	_, err := Parse("test.yaml", make([]byte, maxFileBytes+1))
	if err == nil || err.Error() != "test.yaml: the file has 8388609 bytes; allowed are 8388608" {
		t.Errorf("got %.300v", err)
	}
}

// Numbers in all the ways that YAML 1.2.2, section 10.3.2, knows.
func TestNumbers(t *testing.T) {
	for text, want := range map[string]float64{
		"10": 10, "+10": 10, "1e1": 10, "1.5e+1": 15, "15e-1": 1.5, ".5": 0.5, "2.": 2, "1E-2": 0.01, "0x10": 16, "00000000000000000000001.5": 1.5,
	} {
		c, err := parseChannelText("air_valve_open: {topic: a, scale: {from: [0, 1], to: [0, " + text + "]}}")
		if err != nil || c.Factor != want {
			t.Errorf("%s: got %v, %v, want %v", text, c.Factor, err, want)
		}
	}
	for _, text := range []string{".nan", ".inf", "1e999", "'10'", `"10"`, "ten", "1,5", "true", "10 bar"} {
		if _, err := parseChannelText("air_valve_open: {topic: a, scale: {from: [0, 1], to: [0, " + text + "]}}"); err == nil {
			t.Errorf("%s is taken for a number", text)
		}
	}
}

// Mistakes in different places are all told, whichever they are, each once, in the order of the file.
func TestAllProblemsAreTold(t *testing.T) {
	mistakes := []struct{ good, bad string }{
		{"site: north", "site: north works"},
		{"mqtt: {broker: mqtt://127.0.0.1}", "mqtt: {broker: http://127.0.0.1}"},
		{"  - id: P-101", "  - id: P/101"},
		{"    service: batch", "    service: bach"},
		{"    learn: 100h", "    learn: 100"},
		{"      stroke_count: {topic: a}", "      stroke_count: {topic: a/#}"},
		{"      air_flow: {topic: b, unit: L/s}", "      air_flow: {topic: b, unit: L/h}"},
		{"web: {listen: 127.0.0.1:1}", "web: {listen: 10.0.0.1:1}"},
	}
	rapid.Check(t, func(t *rapid.T) {
		var text strings.Builder
		var want []int
		line := 0
		write := func(s string) { line++; text.WriteString(s + "\n") }
		for i, m := range mistakes {
			switch i {
			case 2:
				write("pumps:")
			case 5:
				write("    channels:")
			}
			if rapid.Bool().Draw(t, m.bad) {
				write(m.bad)
				want = append(want, line)
			} else {
				write(m.good)
			}
		}
		_, err := Parse("test.yaml", []byte(text.String()))
		var got []int
		if invalid, ok := errors.AsType[*InvalidError](err); ok {
			for _, p := range invalid.Problems {
				got = append(got, p.Line)
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("lines with problems (-want +got):\n%s\n%v", diff, err)
		}
	})
}
