package web

import (
	"context"
	"fmt"
	"math"
	"slices"
)

// Cycle is an invented beat: a dip of the inlet and a trough of the discharge at each changeover. With a ticket stroke A is short
// and the trough after it shallow; a pump that has only begun to learn has nothing to compare with.
func (f *fakeSource) Cycle(_ context.Context, id string) (CycleView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	index := slices.IndexFunc(f.pumps, func(p PumpView) bool { return p.ID == id })
	if index < 0 {
		return CycleView{}, fmt.Errorf("pump %q: %w", id, ErrNotFound)
	}
	p := f.pumps[index]
	if !p.Inlet.Valid || !p.Discharge.Valid {
		return CycleView{}, f.err
	}
	v := CycleView{Time: p.LastData, Strokes: 190, Period: 0.64, ShareA: 0.5, SidesKnown: true}
	weak := 0.0
	if len(p.Tickets) > 0 {
		v.ShareA, weak = 0.46, 0.35
	}
	const n = 64
	beat := func(i int, share, base, depth, width, weak float64) float64 {
		at := float64(i) / n
		fall := func(from, depth float64) float64 {
			d := at - from - width
			d -= math.Round(d)
			return depth * math.Exp(-d*d/(2*width*width))
		}
		return math.Round(base - fall(0, depth) - fall(share, depth*(1-weak)))
	}
	for i := range n {
		v.Inlet.Observed = append(v.Inlet.Observed, beat(i, v.ShareA, p.Inlet.V, 0.28e5, 0.03, 0))
		v.Discharge.Observed = append(v.Discharge.Observed, beat(i, v.ShareA, p.Discharge.V, 0.9e5, 0.06, weak))
		if p.Learning != "" {
			continue
		}
		v.HealthyShareA = 0.502
		v.Inlet.Expected = append(v.Inlet.Expected, beat(i, 0.502, p.Inlet.V, 0.28e5, 0.03, 0))
		v.Discharge.Expected = append(v.Discharge.Expected, beat(i, 0.502, p.Discharge.V, 0.9e5, 0.06, 0))
		v.Inlet.Band = append(v.Inlet.Band, 0.02e5)
		v.Discharge.Band = append(v.Discharge.Band, 0.08e5)
	}
	return v, f.err
}
