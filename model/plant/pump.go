package plant

import (
	"math"
	"math/rand/v2"
	"time"

	"diastole/model/air"
)

const (
	waterDensity  = 998.2  // kg/m3 at 20 degC, common tables
	vapour        = 2339.0 // Pa, of water at 20 degC, common tables
	leastDensity  = 0.05   // of a chamber full of gas, over the liquid's: it stays wet
	lineDensity   = 0.005  // the same for a line, which blows dry
	gasFirst      = 4.0    // gas share at the discharge ball over that of the whole chamber (common practice: bubbles rise)
	spoolPressure = 5e5    // Pa gauge, at which SpoolTransit holds
	spoolLeast    = 0.3e5  // Pa gauge, below which the pilot air does not move the spool (common practice)
	iceTime       = 180.0  // s, in which a muffler ices (minutes, by trade articles)
	thawTime      = 90.0   // s, in which it thaws at rest
)

// atmosphere is the pressure that gauge pressures are read against, Pa.
const atmosphere = air.Atmosphere

// Pump is one pump in motion. It is not safe for concurrent use. It allocates nothing after New.
type Pump struct {
	p   Params
	f   Faults
	pr  Process
	rng *rand.Rand
	c   coefficients

	// State of the air side: mass (kg) and internal energy (J) of each chamber, liquid that leaked into
	// it (m3); masses in inlet and muffler volumes (kg); droop of the regulator (Pa).
	mass, energy, wet [2]float64
	inlet, muffler    float64
	droop             float64
	ice               float64

	// State of the mechanics.
	x, v  float64
	spool spool

	// State of the liquid side: liquid (m3) and gas (Pa m3) in chambers and discharge manifold, mixture
	// in the suction manifold (m3), flows of the lines (m3/s), gas share of the line's content.
	chamber      [2]store
	check        [4]check
	manifold     store
	suction      float64
	line, intake float64
	lineGas      float64

	steps   int64
	strokes strokes
	totals  Totals
	mean    means
	view    view
}

// store is liquid (m3) and gas (Pa m3) in one place.
type store struct{ liquid, gas float64 }

// take lets a volume q > 0 (m3) out at a pressure p (Pa), of which share is gas, and tells what went. A
// store that is all but empty gives no more than a part of what it holds in a step.
func (s *store) take(q, share, p float64) (liquid, gas float64) {
	const part = 0.2
	liquid = min(q*(1-share), part*s.liquid)
	gas = min(q*share*p, part*s.gas)
	s.liquid -= liquid
	s.gas -= gas
	return liquid, gas
}

// Totals is what has passed since New.
type Totals struct {
	// AirIn came through the regulator, AirExhaust left through the muffler, AirLeaked left to the
	// atmosphere elsewhere, AirToLiquid went through a torn diaphragm, kg.
	AirIn, AirExhaust, AirLeaked, AirToLiquid float64
	// LiquidIn came from the suction manifold, LiquidOut left through the discharge line, LiquidToAir
	// went through a torn diaphragm, m3; backward flow counts negative.
	LiquidIn, LiquidOut, LiquidToAir float64
}

// New sets up a pump at rest in the middle of its travel, without air, its lines full, with the reference
// process and no fault. The seed fixes all its scatter. It panics where p is not valid: see Validate.
func New(p Params, seed uint64) *Pump {
	if err := p.Validate(); err != nil {
		panic(err)
	}
	if p.Step == 0 {
		p.Step = p.ChooseStep()
	}
	s := &Pump{p: p, rng: rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))}
	s.Set(Faults{}, p.Reference())
	t := s.pr.Ambient
	for i := range 2 {
		s.mass[i] = atmosphere * s.airVolume(i) / (air.GasConstant * t)
		s.energy[i] = s.mass[i] * air.SpecificHeatV * t
		s.chamber[i].gas = p.GasFraction * atmosphere * s.liquidVolume(i)
		s.chamber[i].liquid = s.fill(s.liquidVolume(i), p.ChamberCompliance, s.chamber[i].gas, s.pr.SuctionHead+atmosphere)
	}
	s.inlet = atmosphere * p.InletVolume / (air.GasConstant * t)
	s.muffler = atmosphere * p.MufflerVolume / (air.GasConstant * t)
	s.manifold.gas = p.GasFraction * atmosphere * s.c.manifoldVolume
	s.manifold.liquid = s.fill(s.c.manifoldVolume, p.DischargeCompliance, s.manifold.gas+s.c.damper, s.pr.StaticHead+atmosphere)
	s.suction = s.fill(s.c.suctionVolume, p.SuctionCompliance, s.c.suctionGas, s.pr.SuctionHead+atmosphere)
	s.lineGas = p.GasFraction
	s.spool = spool{position: 1, toLeft: true}
	s.draw()
	s.observe()
	return s
}

// fill is the liquid volume that gives a pressure: the inverse of pressure.
func (s *Pump) fill(volume, compliance, gas, p float64) float64 {
	p -= vapour
	return volume - gas/p + compliance*(p+vapour-atmosphere)
}

// Set changes the faults and the process from now on. States carry over: a valve that shuts, shuts.
func (s *Pump) Set(f Faults, pr Process) {
	s.f, s.pr = f, pr
	s.coefficients()
}

// SetHeader changes the header pressure alone, Pa gauge.
func (s *Pump) SetHeader(p float64) { s.pr.Header = p }

// SetStaticHead changes the pressure at the far end of the discharge line alone, Pa gauge.
func (s *Pump) SetStaticHead(p float64) { s.pr.StaticHead = p }

// Faults and Process give what was last set.
func (s *Pump) Faults() Faults { return s.f }

// Process gives what was last set.
func (s *Pump) Process() Process { return s.pr }

// Params gives the pump's parameters.
func (s *Pump) Params() Params { return s.p }

// Totals gives what has passed since New.
func (s *Pump) Totals() Totals { return s.totals }

// Stored is the air (kg) and the liquid (m3) that the model holds now, so that balances can be closed.
func (s *Pump) Stored() (airMass, liquid float64) {
	return s.mass[Left] + s.mass[Right] + s.inlet + s.muffler,
		s.chamber[Left].liquid + s.chamber[Right].liquid + s.manifold.liquid
}

// airVolume is the volume of an air chamber now, m3.
func (s *Pump) airVolume(i int) float64 {
	return s.p.AirDead[i] - s.wet[i] + s.p.SideArea[i]*(s.c.half+s.c.sign[i]*s.p.displacement(s.x))
}

// liquidVolume is the volume of a liquid chamber now, m3, its walls unstressed.
func (s *Pump) liquidVolume(i int) float64 {
	return s.p.LiquidDead + s.p.SideArea[i]*(s.c.half-s.c.sign[i]*s.p.displacement(s.x))
}

// pressure is the absolute pressure of a store of liquid and gas in a volume with elastic walls:
// volume - liquid = gas/p - compliance (p - atmosphere), solved for p, over the vapour pressure. Where
// liquid lacks, the gas (or, without gas, vapour) fills the space: that is the floor of suction.
func pressure(space, compliance, gas float64) float64 {
	b := space - compliance*(atmosphere-vapour)
	root := math.Sqrt(b*b + 4*compliance*gas)
	if b > 0 {
		return 2*gas/(b+root) + vapour
	}
	return (root-b)/(2*compliance) + vapour
}

// Run advances by d (rounded to whole steps) and hands a sample to sink after each interval. The interval
// is rounded to whole steps; a nil sink is allowed.
func (s *Pump) Run(d, interval time.Duration, sink func(Sample)) {
	every := max(1, int64(math.Round(interval.Seconds()/s.p.Step)))
	for end := s.steps + int64(math.Round(d.Seconds()/s.p.Step)); s.steps < end; {
		for n := min(every, end-s.steps); n > 0; n-- {
			s.Step()
		}
		if sink != nil {
			sink(s.Sample())
		}
	}
}
