package plant

import (
	"math"
	"math/rand/v2"

	"diastole/model/air"
)

// Header is an air main that pumps share: a volume behind a compressor station that swings, and other users
// that pull it down.
type Header struct {
	// Nominal is its mean pressure without draw, Pa gauge.
	Nominal float64
	// Swing is the standard deviation of the slow swing of the station, Pa, with the correlation time
	// SwingTime, s.
	Swing, SwingTime float64
	// Dips is how many times an hour another user opens, DipDepth the mean depth of such a dip, Pa
	// (exponentially distributed), DipTime the time constant of the recovery, s.
	Dips, DipDepth, DipTime float64
	// Volume is that of the main near the pumps, m3; zero holds the pressure against any draw. Loss is
	// the pressure lost between station and pumps per mass flow, Pa s/kg.
	Volume, Loss float64
}

// Main is a header at work.
type Main struct {
	h          Header
	rng        *rand.Rand
	swing, dip float64
	pressure   float64
}

// NewMain opens a header; the seed fixes its swing.
func NewMain(h Header, seed uint64) *Main {
	m := &Main{h: h, rng: rand.New(rand.NewPCG(seed, 0xbf58476d1ce4e5b9)), pressure: h.Nominal}
	m.swing = h.Swing * m.rng.NormFloat64()
	return m
}

// Pressure is what stands at the pumps now, Pa gauge.
func (m *Main) Pressure() float64 { return m.pressure }

// Advance moves the main on by dt seconds while the pumps draw a mean mass flow, kg/s. The swing is an
// Ornstein-Uhlenbeck process in its exact discretisation, so that dt may be a millisecond or an hour.
func (m *Main) Advance(dt, drawn float64) {
	h := &m.h
	if h.SwingTime > 0 {
		keep := math.Exp(-dt / h.SwingTime)
		m.swing = keep*m.swing + h.Swing*math.Sqrt(1-keep*keep)*m.rng.NormFloat64()
	}
	if h.DipTime > 0 {
		m.dip *= math.Exp(-dt / h.DipTime)
		if m.rng.Float64() < -math.Expm1(-h.Dips*dt/3600) {
			m.dip += h.DipDepth * m.rng.ExpFloat64()
		}
	}
	goal := max(0, h.Nominal+m.swing-m.dip-h.Loss*drawn)
	settle := h.Loss * h.Volume / (air.GasConstant * air.AnrTemperature) // s
	if settle <= 0 {
		m.pressure = goal
		return
	}
	m.pressure += (goal - m.pressure) * -math.Expm1(-dt/settle)
}

// Manifold is a discharge pipe that pumps share.
type Manifold struct {
	// Static is the pressure at its end, Pa gauge, Resistance its loss, Pa/(m3/s)2, Compliance its give,
	// m3/Pa.
	Static, Resistance, Compliance float64

	pressure float64
	open     bool
}

// Pressure is what stands in it, Pa gauge.
func (m *Manifold) Pressure() float64 {
	if !m.open {
		return m.Static
	}
	return m.pressure
}

// Advance moves the manifold on by dt seconds while the pumps deliver a flow, m3/s.
func (m *Manifold) Advance(dt, flow float64) {
	if !m.open {
		m.pressure, m.open = m.Static, true
	}
	if m.Resistance <= 0 || m.Compliance <= 0 {
		m.pressure = m.Static + m.Resistance*flow*math.Abs(flow)
		return
	}
	// C dp/dt = flow - sqrt((p - Static)/R), implicit in the outflow q: a quadratic.
	r, k := m.Resistance, dt/m.Compliance
	rest := m.pressure - m.Static + k*flow
	q := math.Copysign(2*math.Abs(rest)/(k+math.Sqrt(k*k+4*r*math.Abs(rest))), rest)
	m.pressure += k * (flow - q)
}
