package chart

import (
	"math/rand/v2"
	"testing"
	"time"
)

// benchmarkTrack updates one chart of a pump with all coordinates. An update costs less than 100 ns and allocates nothing.
func benchmarkTrack(b *testing.B, step float64) {
	rng := rand.New(rand.NewPCG(6, 30))
	m, e := quiet()
	start := Filter{P: m.OffsetVar}
	ms := make([]Measurement, 256)
	for i := range ms {
		ms[i] = drawn(&start, m, rng)
		for j := range dim {
			ms[i].Dev[j] += step * e.Mean[j]
			ms[i].Mirrored[j] += step * e.Mean[j]
		}
	}
	var tr Track
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		tr.Update(time.Time{}, &ms[i%len(ms)], &e, -16, &start)
		tr.Score = min(tr.Score, 100)
		i++
	}
	b.Logf("score %g", tr.Score)
}

func BenchmarkTrackIdle(b *testing.B)   { benchmarkTrack(b, -3) }
func BenchmarkTrackRising(b *testing.B) { benchmarkTrack(b, 1) }
