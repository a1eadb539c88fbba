package config

import (
	"fmt"
	"strings"
	"testing"
)

// BenchmarkParse reads a large site: 1000 pumps with three channels each.
func BenchmarkParse(b *testing.B) {
	var text strings.Builder
	text.WriteString("site: north\nmqtt: {broker: mqtt://127.0.0.1}\npumps:\n")
	for i := range 1000 {
		fmt.Fprintf(&text, `  - id: P-%[1]d
    channels:
      air_inlet_pressure: {topic: north/p%[1]d/air, format: waveform, unit: bar}
      discharge_pressure: {topic: north/p%[1]d/discharge, format: waveform, unit: bar}
      stroke_count: {topic: north/p%[1]d/strokes}
`, i)
	}
	data := []byte(text.String())
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("site.yaml", data); err != nil {
			b.Fatal(err)
		}
	}
}
