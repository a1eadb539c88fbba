package diagnose

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// Stall is an epoch in which the pump stood against a shut valve. A sound pump makes no stroke then, and neither does one whose
// valves leak in one stroke only: it ends on the good one. Leaks that serve both strokes let it creep.
type Stall struct {
	At time.Time
	// Seconds is how long it was, Strokes how many the pump made.
	Seconds float64
	Strokes int
}

// deadHead is how far below the inlet pressure the discharge of a pump may be that stands against a shut valve, Pa: what
// friction and the errors of two transmitters make of nothing (common practice).
const deadHead = 0.1e5

// StallOf takes a stall from an epoch; ok is false where the pump did not stand against a shut valve.
func StallOf(e *feature.Epoch) (s Stall, ok bool) {
	creeps := e.State == feature.Running && e.Inlet.Valid && e.Discharge.Valid && e.Inlet.V-e.Discharge.V <= deadHead
	s = Stall{At: e.End, Seconds: e.End.Sub(e.Start).Seconds(), Strokes: e.Strokes}
	const tooShort = 5 // seconds: a creeping stroke may take as long
	return s, (creeps || e.State == feature.Stalled) && s.Seconds >= tooShort
}

// Stalls is what a pump has shown against a shut valve.
type Stalls struct {
	// Recent are the last ones, the oldest first.
	Recent []Stall
	// Quiet and Creeping count those of the learning stretch without strokes and with some.
	Quiet, Creeping int
}

const (
	// stallMemory is for how long a stall tells of the present, and stallsKept how many of the last ones do: a leak grows.
	stallMemory = 72 * time.Hour
	stallsKept  = 4
)

// Learn counts a stall of the healthy pump.
func (s *Stalls) Learn(x Stall) {
	if x.creeps() {
		s.Creeping++
	} else {
		s.Quiet++
	}
}

// creeps tells creeping from the one stroke with which a leaking pump may come to its stall.
func (x Stall) creeps() bool { return x.Strokes > 1 }

// Usual reports whether this pump creeps when it is healthy: the valve that it stands against is not tight, or it works so close
// to its stall. Such epochs are running like any other.
func (s *Stalls) Usual() bool { return s.Creeping > s.Quiet }

// Add takes a stall after learning.
func (s *Stalls) Add(x Stall) {
	if len(s.Recent) == stallsKept {
		copy(s.Recent, s.Recent[1:])
		s.Recent = s.Recent[:stallsKept-1]
	}
	s.Recent = append(s.Recent, x)
}

// weeps is the probability that the valve that the pump stands against is not shut, or not tight, so that a sound pump creeps:
// one in twenty (common practice), and as often as was seen in the learning stretch.
func (s *Stalls) weeps() float64 {
	const seen, of = 0.5, 10.0
	return (seen + float64(s.Creeping)) / (of + float64(s.Creeping+s.Quiet))
}

// creepEvidence is the log-likelihood ratio of the recent stalls under a hypothesis at one size against the healthy pump; rate
// is what the pump makes in ordinary running, 1/s. All explanations but leaks that serve both strokes say what health says.
//
// A leak that lets the running pump make a share x more strokes passes more than x times the pump's delivery, for the pump gives
// way in pressure, and rests in its changeovers. Against a shut valve all that it passes is strokes (volume balance of one
// chamber): a simulated one-inch pump makes 1.7 times x of its usual strokes (stall_test.go), others some three times.
func (s *Stalls) creepEvidence(h *Hypothesis, e *chart.Effect, rate float64, now time.Time) float64 {
	if h.Fault != pump.CheckValveLeak || h.Side != pump.SideBoth || rate <= 0 {
		return 0
	}
	faster := rate * math.Expm1(max(0, e.Mean[feature.StrokeRate]))
	tight, weeping, leaking := 0.0, 0.0, 0.0
	for _, x := range s.Recent {
		if now.Sub(x.At) > stallMemory {
			continue
		}
		p := tightly(x)
		tight += math.Log(p)
		weeping += math.Log(1 / (1 + rate*x.Seconds)) // any number of strokes up to those of ordinary running
		const sticks = 0.1                            // a pump that leaks may stop for good in mid-stroke all the same
		leaking += math.Log(sticks*p + (1-sticks)*creeping(x, faster))
	}
	w := s.weeps()
	either := func(valveIsTight float64) float64 {
		return floats.LogSumExp([]float64{math.Log1p(-w) + valveIsTight, math.Log(w) + weeping})
	}
	return either(leaking) - either(tight)
}

// creep is what the stalls say for a hypothesis, nil for nothing.
func (s *Stalls) creep(h *Hypothesis, e *chart.Effect, usual float64, now time.Time) *Creep {
	weight := s.creepEvidence(h, e, usual, now)
	if weight <= 0 {
		return nil
	}
	for _, x := range slices.Backward(s.Recent) {
		if x.creeps() {
			return &Creep{Rate: float64(x.Strokes) / x.Seconds, Usual: usual, Sigma: math.Sqrt(2 * weight)}
		}
	}
	return nil
}

// tightly is the probability of the strokes of a stall with sound seats against a tight valve: none, now and then the one that
// comes to rest, and hardly ever more.
func tightly(x Stall) float64 {
	switch x.Strokes {
	case 0:
		return 0.95
	case 1:
		return 0.04
	}
	return 0.01 * math.Exp2(-float64(x.Strokes-1))
}

// creeping is the probability of the strokes of a stall where leaks make the running pump faster by so many strokes a second, of
// makes that differ and seats that wear between stalls.
func creeping(x Stall, faster float64) float64 {
	p := 0.0
	for _, factor := range []float64{1, 2.5, 6} {
		p += distuv.Poisson{Lambda: max(faster*factor*x.Seconds, 1e-6)}.Prob(float64(x.Strokes)) / 3
	}
	return p
}
