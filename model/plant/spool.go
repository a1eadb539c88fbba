package plant

import (
	"math"
	"time"
)

// spool is the main valve with its pilots.
type spool struct {
	// position is 1 where the left chamber is supplied, 0 where the right one is.
	position float64
	// toLeft is the way it goes or went last.
	toLeft bool
	// pending tells that a pilot has tripped; delay is what is left until the spool starts, s.
	pending bool
	delay   float64
	// centred tells that it stands in the middle.
	centred bool
	// The scatter of this stroke, relative to the parameters.
	trip, pilot, friction, ball float64
}

// strokes counts and times strokes.
type strokes struct {
	total int64
	began [2]float64 // when the stroke now running began and the one before it, s
	last  [2]float64 // the latest duration of a stroke of each side, s
	mean  float64    // a running mean of all, s
	worn  float64    // strokes since the seals were new
}

// draw scatters the stroke to come.
func (s *Pump) draw() {
	j := s.p.Jitter
	n := func(scale float64) float64 { return 1 + j*scale*clamp(s.rng.NormFloat64(), -3, 3) }
	s.spool.trip = n(0.5)
	s.spool.pilot = n(10)
	s.spool.friction = n(12) * (1 + s.p.BedInFriction*math.Exp(-s.strokes.worn/max(1, s.p.BedInStrokes)))
	s.spool.ball = n(12)
	for i := range s.check {
		k := &s.check[i]
		k.openStep = s.p.Step / s.p.BallOpen[i]
		k.closeStep = s.p.Step / (s.p.BallClose[i] * s.spool.ball)
	}
}

// pilot watches the shaft and starts the spool. gauge is the inlet pressure that moves it, Pa gauge.
func (s *Pump) pilot(gauge float64) {
	w := &s.spool
	side, along, speed := Left, s.x, s.v
	if !w.toLeft {
		side, along, speed = Right, -s.x, -s.v
	}
	dt := s.c.dt
	if !w.pending {
		trip := s.p.HalfTravel * clamp(s.p.Trip[side]*w.trip-s.f.PilotEarly[side], 0.05, 0.999)
		if along < trip || w.centred {
			return
		}
		// The trip lies inside this step.
		var since float64
		if speed > 0 {
			since = min(dt, (along-trip)/speed)
		}
		w.pending = true
		w.delay = s.p.PilotDelay[side]*w.pilot + s.f.PilotDelay[side] - since
		if s.f.SpoolHesitation > 0 && s.rng.Float64() < s.f.SpoolHesitation {
			w.delay += s.f.HesitationTime * s.rng.ExpFloat64()
		}
		return
	}
	if gauge < spoolLeast {
		return
	}
	w.delay -= dt
	if w.delay < 0 {
		w.pending = false
		w.toLeft = !w.toLeft
		s.shift(gauge, -w.delay)
	}
}

// shift moves the spool on for a time, s.
func (s *Pump) shift(gauge, dt float64) {
	w := &s.spool
	goal := 0.0
	if w.toLeft {
		goal = 1
	}
	if w.position == goal || w.centred || gauge < spoolLeast {
		return
	}
	move := dt * s.c.transit * math.Sqrt(min(gauge/spoolPressure, 2.25))
	before := w.position
	if w.toLeft {
		w.position = min(1, before+move)
	} else {
		w.position = max(0, before-move)
	}
	if (before-0.5)*(w.position-0.5) <= 0 && before != 0.5 {
		if s.f.SpoolCentred {
			w.position, w.centred = 0.5, true
			return
		}
		s.count()
	}
}

// count ends a stroke: the spool passed the middle.
func (s *Pump) count() {
	now := float64(s.steps) * s.c.dt
	t := &s.strokes
	side := Left
	if s.spool.toLeft {
		side = Right // the right side has just discharged
	}
	if t.total > 0 {
		d := now - t.began[0]
		t.last[side] = d
		if t.mean == 0 {
			t.mean = d
		}
		t.mean += (d - t.mean) * 0.1
	}
	t.began[1], t.began[0] = t.began[0], now
	t.total++
	t.worn++
	s.draw()
}

// Strokes is the stroke total: odd after a stroke of the left side (A).
func (s *Pump) Strokes() int64 { return s.strokes.total }

// LastStroke is the latest duration of a stroke of a side, s; zero before the first.
func (s *Pump) LastStroke(side int) float64 { return s.strokes.last[side] }

// SkipStrokes lets the counter and the bedding-in run on by n strokes, rounded down to whole cycles so that
// sides keep their parity, without moving anything.
func (s *Pump) SkipStrokes(n int64) {
	n = max(0, n) &^ 1
	s.strokes.total += n
	s.strokes.worn += float64(n)
}

// FastForward lets time pass between recordings: strokes run on at the recent rate where the pump was
// running, ice grows or thaws, and nothing is integrated.
func (s *Pump) FastForward(d time.Duration) {
	seconds := d.Seconds()
	running := s.strokes.mean > 0 && float64(s.steps)*s.c.dt-s.strokes.began[0] < 4*s.strokes.mean
	if running {
		s.SkipStrokes(int64(seconds / s.strokes.mean))
		s.ice += (s.pr.Icing - s.ice) * (1 - math.Exp(-seconds/iceTime))
	} else {
		s.ice *= math.Exp(-seconds / thawTime)
	}
	shift := int64(math.Round(seconds / s.c.dt))
	s.steps += shift
	s.strokes.began[0] += float64(shift) * s.c.dt
	s.strokes.began[1] += float64(shift) * s.c.dt
}

// Rebuild puts new parts in: the seals bed in again. A centred spool is freed.
func (s *Pump) Rebuild() {
	s.strokes.worn = 0
	s.spool.centred = false
}

// Used tells how many strokes the seals have run since they were new; a pump from New has new seals.
func (s *Pump) Used(strokes float64) { s.strokes.worn = strokes }
