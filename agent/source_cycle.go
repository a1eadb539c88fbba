package agent

import (
	"context"
	"fmt"
	"slices"

	"diastole/agent/watch"
	"diastole/agent/web"
	"diastole/detect/cycle"
)

// Cycle implements web.Source.
func (s *source) Cycle(_ context.Context, pump string) (web.CycleView, error) {
	b := s.status.Load()
	i := slices.IndexFunc(b.pumps, func(p watch.Status) bool { return p.Pump.ID == pump })
	if i < 0 {
		return web.CycleView{}, fmt.Errorf("pump %s: %w", pump, web.ErrNotFound)
	}
	p, ok := b.pumps[i].Monitor.Cycles.Picture()
	if !ok {
		return web.CycleView{}, nil
	}
	return web.CycleView{
		Time: p.Time, Strokes: p.Latest.Strokes, Period: p.Latest.Period, ShareA: p.Latest.ShareA,
		HealthyShareA: p.HealthyShareA, SidesKnown: p.SidesKnown,
		Inlet: waveOf(p.Latest.Inlet, p.Inlet), Discharge: waveOf(p.Latest.Discharge, p.Discharge),
	}, nil
}

func waveOf(w cycle.Wave, healthy cycle.Expected) web.CycleWave {
	out := web.CycleWave{Expected: healthy.Pa, Band: healthy.Band, Residual: w.Residual}
	for _, v := range w.Pa {
		out.Observed = append(out.Observed, float64(v))
	}
	return out
}
