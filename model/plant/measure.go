package plant

import (
	"math"
	"time"

	"diastole/model/air"
)

// Point is one steady operating point, as means over whole cycles.
type Point struct {
	// Rate is strokes per second; Asymmetry (tA-tB)/(tA+tB), A being the stroke of the left side.
	Rate, Asymmetry float64
	// Scatter is the coefficient of variation of stroke times about the mean of their own side.
	Scatter float64
	// Inlet and Discharge are mean gauge pressures, Pa.
	Inlet, Discharge float64
	// Flow is the delivered liquid, m3/s; PerStroke the same over Rate, m3.
	Flow, PerStroke float64
	// AirFlow is m3/s at ANR; AirPerStroke m3 at ANR.
	AirFlow, AirPerStroke float64
	// AirFactor is the air in normal volumes over the delivered liquid times absolute over atmospheric
	// inlet pressure, dimensionless; zero where nothing is delivered.
	AirFactor float64
	// Efficiency is hydraulic power over the isothermal exergy of the air at inlet pressure.
	Efficiency float64
	// Dip is the mean fall of inlet pressure at a changeover from the highest of the stroke before, Pa;
	// DipWidth its width at half depth, s.
	Dip, DipWidth float64
	// Ripple is the mean swing of discharge pressure in a stroke, Pa; RippleA and RippleB those of the
	// strokes of each side.
	Ripple, RippleA, RippleB float64
	// Strokes is how many were measured; zero when the pump did not stroke in the time allowed.
	Strokes int
}

// sampling is the interval of Measure.
const sampling = time.Millisecond

// Measure lets a new pump settle and measures it over the given number of cycles. Where it strokes too
// slowly (or not at all) it gives up after four reference strokes for each stroke asked for, and tells how
// many strokes it saw.
func Measure(p Params, f Faults, pr Process, seed uint64, cycles int) Point {
	s := New(p, seed)
	s.Used(1e9) // worn in
	s.Set(f, pr)
	s.Settle()
	return s.Measure(cycles)
}

// Settle runs until the mean discharge pressure over three cycles is within 0.2 % of that over the three
// before, or for a hundred such spans. A span without strokes ends after 24 reference strokes.
func (s *Pump) Settle() {
	limit := 24 * s.p.referenceStroke()
	var before float64
	for range 100 {
		var sum, n float64
		goal := s.strokes.total + 6
		for s.strokes.total < goal && n*sampling.Seconds() < limit {
			s.Run(sampling, sampling, nil)
			sum += s.view.discharge
			n++
		}
		if math.Abs(sum/n-before) < 2e-3*before {
			return
		}
		before = sum / n
	}
}

// Measure runs the pump on and measures it over whole cycles, see the function Measure.
func (s *Pump) Measure(cycles int) Point {
	limit := int(float64(2*cycles+2) * 4 * s.p.referenceStroke() / sampling.Seconds())
	var m meter
	for range limit {
		s.Run(sampling, sampling, func(x Sample) { m.add(x, s) })
		if m.strokes >= 2*cycles {
			break
		}
	}
	return m.point(s)
}

// meter gathers a Point.
type meter struct {
	begun              bool
	last               int64
	strokes            int
	time               [2]float64
	square             [2]float64
	count              [2]int
	inlet, discharge   float64
	air, liquid        float64
	samples            int
	sum                Sample // means of the stroke now running
	n                  int
	trace              []float64 // inlet pressure of the stroke now running
	peak, before       float64   // highest inlet of this stroke and of the one before
	low, high          float64   // discharge
	dip, width, ripple float64
	sideRipple         [2]float64
	dips               int
}

func (m *meter) add(x Sample, s *Pump) {
	if !m.begun {
		m.begun = true
		m.last = x.Strokes
		m.strokes = -2 // the stroke now running and the first whole one, which gives the level before
		m.reset()
	}
	if x.Strokes != m.last {
		m.last = x.Strokes
		if m.strokes == -1 {
			m.before = m.peak
		}
		if m.strokes >= 0 {
			m.end(s)
		}
		m.strokes++
		m.before = m.peak
		m.reset()
	}
	m.n++
	m.sum.Inlet += x.Inlet
	m.sum.Discharge += x.Discharge
	m.sum.AirFlow += x.AirFlow
	m.sum.LiquidFlow += x.LiquidFlow
	m.peak = max(m.peak, x.Inlet)
	m.low, m.high = min(m.low, x.Discharge), max(m.high, x.Discharge)
	m.trace = append(m.trace, x.Inlet)
}

func (m *meter) reset() {
	m.sum, m.n = Sample{}, 0
	m.peak = math.Inf(-1)
	m.low, m.high = math.Inf(1), math.Inf(-1)
	m.trace = m.trace[:0]
}

// end books the stroke that has just ended.
func (m *meter) end(s *Pump) {
	side := Left
	if m.last%2 == 0 {
		side = Right
	}
	d := s.LastStroke(side)
	m.time[side] += d
	m.square[side] += d * d
	m.count[side]++
	m.inlet += m.sum.Inlet
	m.discharge += m.sum.Discharge
	m.air += m.sum.AirFlow
	m.liquid += m.sum.LiquidFlow
	m.samples += m.n
	m.ripple += m.high - m.low
	m.sideRipple[side] += m.high - m.low
	m.dipOf()
}

func (m *meter) dipOf() {
	at := 0
	for i, v := range m.trace {
		if v < m.trace[at] {
			at = i
		}
	}
	depth := m.before - m.trace[at]
	half := m.before - depth/2
	from, to := at, at
	for from > 0 && m.trace[from-1] < half {
		from--
	}
	for to+1 < len(m.trace) && m.trace[to+1] < half {
		to++
	}
	width := float64(to - from)
	if from > 0 {
		width += (half - m.trace[from]) / (m.trace[from-1] - m.trace[from])
	}
	if to+1 < len(m.trace) {
		width += (half - m.trace[to]) / (m.trace[to+1] - m.trace[to])
	}
	m.dip += depth
	m.width += width * sampling.Seconds()
	m.dips++
}

func (m *meter) point(s *Pump) Point {
	if m.strokes < 2 {
		v := s.Sample()
		return Point{Inlet: v.Inlet, Discharge: v.Discharge}
	}
	var mean, spread [2]float64
	for i := range 2 {
		n := float64(m.count[i])
		mean[i] = m.time[i] / n
		spread[i] = max(0, m.square[i]/n-mean[i]*mean[i])
	}
	n := float64(m.samples)
	k := float64(m.count[0] + m.count[1])
	o := Point{
		Rate:      k / (m.time[0] + m.time[1]),
		Asymmetry: (mean[Left] - mean[Right]) / (mean[Left] + mean[Right]),
		Scatter:   math.Sqrt((spread[0] + spread[1]) * 2 / ((mean[0] + mean[1]) * (mean[0] + mean[1]))),
		Inlet:     m.inlet / n, Discharge: m.discharge / n,
		Flow: m.liquid / n, AirFlow: m.air / n,
		Dip: m.dip / float64(m.dips), DipWidth: m.width / float64(m.dips),
		Ripple:  m.ripple / k,
		RippleA: m.sideRipple[Left] / float64(m.count[Left]), RippleB: m.sideRipple[Right] / float64(m.count[Right]),
		Strokes: m.count[0] + m.count[1],
	}
	o.PerStroke = o.Flow / o.Rate
	o.AirPerStroke = o.AirFlow / o.Rate
	absolute := (o.Inlet + atmosphere) / atmosphere
	if o.Flow > 0 {
		o.AirFactor = air.ANR.To(air.Normal, o.AirFlow) / (o.Flow * absolute)
	}
	o.Efficiency = o.Flow * (o.Discharge - s.pr.SuctionHead) / air.IsothermalExergy(air.ANR, o.AirFlow, o.Inlet+atmosphere)
	return o
}
