package air

import "math"

// LinearRatio is the pressure ratio above which a Conductance passes flow in proportion to the pressure
// difference. The formula of ISO 6358 has an infinite slope at equal pressures, which no passage has (the
// flow turns laminar) and no fixed step can follow. Modelling libraries start the branch between 0.995 and
// 0.999 (Maplesoft AirOrificeISO6358, MathWorks Constant Area Pneumatic Orifice ISO 6358); it is not part
// of the standard.
const LinearRatio = 0.995

// Conductance is the flow behaviour of a pneumatic passage after ISO 6358-1.
type Conductance struct {
	// C is the sonic conductance, m3/(s Pa) at the ANR reference state.
	C float64
	// B is the critical pressure ratio, dimensionless, 0 <= B < 1: at and below it the flow is choked.
	B float64
}

// MassFlow is the flow in kg/s from p1 (at temperature t1) to p2; where p2 is the higher, nothing flows:
// see Flow for a passage that works both ways.
//
//	m = C p1 rho0 sqrt(T0/T1)                                  p2/p1 <= b
//	m = C p1 rho0 sqrt(T0/T1) sqrt(1 - ((p2/p1-b)/(1-b))^2)    b < p2/p1 <= LinearRatio
//
// (ISO 6358-1), and above LinearRatio a straight line to zero at equal pressures.
func (k Conductance) MassFlow(p1, t1, p2 float64) float64 {
	if k.C <= 0 || p1 <= 0 || p2 >= p1 {
		return 0
	}
	return k.C * AnrDensity * p1 * math.Sqrt(AnrTemperature/t1) * k.subsonic(p2/p1)
}

// subsonic is the flow over the choked flow at a pressure ratio r < 1.
func (k Conductance) subsonic(r float64) float64 {
	switch {
	case r <= k.B:
		return 1
	case r <= LinearRatio || k.B >= LinearRatio:
		u := (r - k.B) / (1 - k.B)
		return math.Sqrt(1 - u*u)
	default:
		u := (LinearRatio - k.B) / (1 - k.B)
		return math.Sqrt(1-u*u) * (1 - r) / (1 - LinearRatio)
	}
}

// Flow is the flow in kg/s through the passage from a to b, negative where b is the higher pressure.
func (k Conductance) Flow(pa, ta, pb, tb float64) float64 {
	if pa >= pb {
		return k.MassFlow(pa, ta, pb)
	}
	return -k.MassFlow(pb, tb, pa)
}

// SeriesFlow is the flow in kg/s through passages in a row, with the pressures between them found so that
// all pass the same mass. The temperature is t1 throughout (the gas regains it between passages). It
// solves the chain by bisection on the mass flow to a relative 1e-12; ISO 6358-3 does the same by
// stepping through the components.
func SeriesFlow(p1, t1, p2 float64, chain ...Conductance) float64 {
	if len(chain) == 0 || p2 >= p1 {
		return 0
	}
	hi := math.Inf(1)
	for _, k := range chain {
		hi = math.Min(hi, k.MassFlow(p1, t1, 0))
	}
	lo := 0.0
	for range 200 {
		m := (lo + hi) / 2
		if m == lo || m == hi || hi-lo <= 1e-12*hi {
			break
		}
		if passes(m, p1, t1, p2, chain) {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}

// passes tells whether a mass flow can get through the chain and still arrive at p2 or above.
func passes(m, p1, t1, p2 float64, chain []Conductance) bool {
	p := p1
	for _, k := range chain {
		p = k.outlet(m, p, t1)
		if p < p2 {
			return false
		}
	}
	return true
}

// outlet is the pressure behind the passage when m flows, the highest that allows it; -1 where the
// passage cannot pass so much.
func (k Conductance) outlet(m, p1, t1 float64) float64 {
	f := m / (k.C * AnrDensity * p1 * math.Sqrt(AnrTemperature/t1))
	if !(f <= 1) || p1 <= 0 {
		return -1
	}
	if edge := k.subsonic(LinearRatio); f < edge && k.B < LinearRatio {
		return p1 * (1 - f/edge*(1-LinearRatio))
	}
	return p1 * (k.B + (1-k.B)*math.Sqrt(1-f*f))
}

// Series is the single conductance that stands for passages in a row:
//
//	1/C^3 = sum 1/Ci^3        b = 1 - C^2 sum (1-bi)/Ci^2
//
// the usual engineering rule (from memory; common practice among makers of pneumatic parts). It is exact
// for a single passage and within some per cent of SeriesFlow for a few; use SeriesFlow where it matters.
func Series(chain ...Conductance) Conductance {
	var cubes, squares float64
	for _, k := range chain {
		cubes += math.Pow(k.C, -3)
		squares += (1 - k.B) / (k.C * k.C)
	}
	c := math.Pow(cubes, -1.0/3)
	return Conductance{C: c, B: math.Max(0, 1-c*c*squares)}
}

// Parallel is the single conductance that stands for passages side by side:
//
//	C = sum Ci        C / sqrt(1-b) = sum Ci / sqrt(1-bi)
//
// (from memory; common practice). It is exact where all b are equal.
func Parallel(side ...Conductance) Conductance {
	var c, s float64
	for _, k := range side {
		c += k.C
		s += k.C / math.Sqrt(1-k.B)
	}
	if s == 0 {
		return Conductance{}
	}
	return Conductance{C: c, B: 1 - (c/s)*(c/s)}
}
