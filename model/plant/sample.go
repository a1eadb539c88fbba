package plant

import "diastole/model/air"

// Sample is what a perfect observer sees at one moment. Pressures are gauge, Pa. Flows are means since the
// sample before.
type Sample struct {
	// Time since New, s.
	Time float64
	// Inlet is the air pressure at the pump, Discharge and Suction the liquid pressures in the manifolds,
	// Exhaust the air pressure before the muffler, Header the air before the regulator.
	Inlet, Discharge, Suction, Exhaust, Header float64
	// Regulated is the air pressure behind the regulator, before the hose.
	Regulated float64
	// AirFlow enters through the regulator, m3/s at ANR.
	AirFlow float64
	// LiquidFlow leaves through the discharge line, m3/s.
	LiquidFlow float64
	// Strokes is the stroke total, LastStroke the time at which it last rose, s.
	Strokes    int64
	LastStroke float64
	// Position is that of the shaft, -1 to 1 of half its travel, positive toward the left; Spool that of
	// the main valve, 1 where the left chamber is supplied.
	Position, Spool float64
	// AirOn tells that the air is not shut off.
	AirOn bool
	// Ambient temperature, K.
	Ambient float64
	// Wet tells that a torn diaphragm has let liquid into an air chamber.
	Wet bool
}

// Sample reads the pump and starts new means.
func (s *Pump) Sample() Sample {
	out := Sample{
		Time:      float64(s.steps) * s.c.dt,
		Inlet:     s.view.inlet - atmosphere,
		Discharge: s.view.discharge - atmosphere,
		Suction:   s.view.suction - atmosphere,
		Exhaust:   s.view.exhaust - atmosphere,
		Header:    s.pr.Header,
		Regulated: min(s.pr.Setting-s.droop, s.pr.Header),
		Strokes:   s.strokes.total, LastStroke: s.strokes.began[0],
		AirOn: !s.pr.AirOff, Ambient: s.pr.Ambient,
		Position: s.x / s.p.HalfTravel,
		Spool:    s.spool.position,
		Wet:      s.wet[Left]+s.wet[Right] > 0.002*s.c.half,
	}
	if n := s.steps - s.mean.since; n > 0 {
		span := float64(n) * s.c.dt
		out.AirFlow = s.mean.air / span / air.AnrDensity
		out.LiquidFlow = s.mean.liquid / span
	}
	s.mean = means{since: s.steps}
	return out
}

// observe fills the view before the first step.
func (s *Pump) observe() {
	s.view = view{
		inlet: atmosphere, exhaust: atmosphere,
		discharge: atmosphere + s.pr.StaticHead, suction: atmosphere + s.pr.SuctionHead,
	}
}
