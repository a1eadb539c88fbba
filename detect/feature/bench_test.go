package feature

import (
	"fmt"
	"testing"
	"time"

	"diastole/detect/signal"
)

// BenchmarkBuilder pushes one-second chunks of two channels of a running pump, with a counter, and reports the time
// per sample.
func BenchmarkBuilder(b *testing.B) {
	for _, fs := range []float64{100, 1000} {
		b.Run(fmt.Sprintf("%.0fHz", fs), func(b *testing.B) {
			s := plain()
			s.fs = fs
			s.seconds = 60
			chunks, _ := s.make()
			builder := NewBuilder(s.settings())
			at := time.Duration(0)
			samples := 0
			b.ReportAllocs()
			b.ResetTimer()
			for i := 0; i < b.N; {
				for _, c := range chunks {
					if c.Channel == signal.StrokeCount {
						continue
					}
					c.Start = c.Start.Add(at)
					builder.Push(c)
					samples += len(c.Values)
					if i++; i == b.N {
						break
					}
				}
				at += 60 * time.Second
				builder.Take()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(samples), "ns/sample")
		})
	}
}
