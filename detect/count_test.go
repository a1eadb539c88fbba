package detect

import (
	"testing"
	"time"

	"diastole/detect/feature"
	"diastole/model/pump"
)

// TestStrokesBetweenBursts: a pump that is looked at for ten seconds an hour strokes all the hour; its counter knows.
func TestStrokesBetweenBursts(t *testing.T) {
	model, err := pump.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name    string
		counter CounterSettings
		totals  []float64 // at the end of each hour's burst of 30 strokes; negative: the counter was not heard
		want    float64
	}{
		{"counter of strokes", CounterSettings{}, []float64{100, 10100, 20100}, 30 + 20000},
		{"counter of cycles", CounterSettings{PerCycle: true}, []float64{100, 5100}, 30 + 10000},
		{"wraps", CounterSettings{WrapsAt: 65536}, []float64{60000, 4464}, 30 + 10000},
		{"no counter", CounterSettings{}, []float64{-1, -1, -1}, 90},
		{"silent for an hour", CounterSettings{}, []float64{100, -1, 20100}, 30 + 20000},
		{"started anew", CounterSettings{}, []float64{10000, 17, 10017}, 60 + 10000},
		{"faster than the pump can stroke", CounterSettings{}, []float64{100, 9e9}, 60},
	} {
		m := New(Settings{Model: model, Counter: c.counter})
		for i, total := range c.totals {
			at := start.Add(time.Duration(i) * time.Hour)
			e := feature.Epoch{Start: at, End: at.Add(10 * time.Second), State: feature.Running, Strokes: 30}
			if total >= 0 {
				e.Counter = feature.Value{V: total, Valid: true}
			}
			m.epoch(&e)
		}
		if got := m.Status().Strokes; got != c.want {
			t.Errorf("%s: %g strokes, want %g", c.name, got, c.want)
		}
	}
}
