package plant

import "math"

// check is a ball check valve with its passage.
type check struct {
	// area and leak are discharge coefficient times area, open and shut, m2; held is the lift below which
	// debris keeps the ball, stuck keeps it down.
	area, leak, held float64
	stuck            bool
	// inertance is that of the passage over the step, Pa s/m3 per (m3/s) gained; laminar Pa s/m3; perLift
	// is lift per pressure difference, 1/Pa.
	inertance, laminar, perLift float64
	// openStep and closeStep are the most that the ball moves in a step, of its lift.
	openStep, closeStep float64

	// lift is 0 on the seat to 1 open; flow is in the forward direction, m3/s.
	lift, flow float64
}

// step moves the ball and the flow under a pressure difference dp (Pa, forward) with a liquid of density
// rho (kg/m3), which is part of that of the liquid the inertance was given for.
//
// The ball follows the pressure difference that carries it, no faster than its own times; while it lags,
// liquid runs back. The flow obeys I dq/dt = dp - rho/2 q|q|/(Cd A)^2 - r q, implicit in q (backward
// Euler): a quadratic with one root, so that a nearly shut valve needs no smaller step.
func (k *check) step(dp, rho, part float64) float64 {
	target := clamp01(dp * k.perLift)
	if k.stuck {
		target = 0
	} else if target < k.held {
		target = k.held
	}
	switch d := target - k.lift; {
	case d > k.openStep:
		k.lift += k.openStep
	case d < -k.closeStep:
		k.lift -= k.closeStep
	default:
		k.lift = target
	}
	a := k.area*k.lift + k.leak
	a2 := a*a + 1e-22 // a shut valve passes nothing that could be measured, yet divides
	inert := k.inertance * part
	b := a2 * (inert + k.laminar)
	c := a2 * (inert*k.flow + dp)
	k.flow = 2 * c / (b + math.Sqrt(b*b+2*rho*math.Abs(c)))
	return k.flow
}

// inertialFlow advances the flow of a line by one step: I dq/dt = dp - r2 q|q| - r1 q, implicit in q.
func inertialFlow(q, dp, inertancePerStep, r2, r1 float64) float64 {
	b := inertancePerStep + r1
	c := inertancePerStep*q + dp
	return 2 * c / (b + math.Sqrt(b*b+4*r2*math.Abs(c)))
}

func clamp01(v float64) float64 {
	if v < 0 {
		return 0
	}
	if v > 1 {
		return 1
	}
	return v
}
