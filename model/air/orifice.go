package air

import "math"

// CriticalRatio is the pressure ratio at which an ideal nozzle chokes, (2/(g+1))^(g/(g-1)) = 0.5283 for
// g = 1.4 (any textbook of gas dynamics).
var CriticalRatio = math.Pow(2/(HeatRatio+1), HeatRatio/(HeatRatio-1))

// chokedFactor is sqrt(g/R) (2/(g+1))^((g+1)/(2(g-1))): the flow per area of a choked nozzle times
// sqrt(T0)/p0, s K^0.5/m.
var chokedFactor = math.Sqrt(HeatRatio/GasConstant) *
	math.Pow(2/(HeatRatio+1), (HeatRatio+1)/(2*(HeatRatio-1)))

// OrificeFlow is the flow in kg/s of an ideal nozzle of the given area (m2) and discharge coefficient from
// p0 at t0 to p, isentropic, choked at and below CriticalRatio:
//
//	m = Cd A p0 / sqrt(T0) * 0.04041                                     p/p0 <= 0.5283
//	m = Cd A p0 sqrt(2 g/((g-1) R T0) ((p/p0)^(2/g) - (p/p0)^((g+1)/g)))  above
//
// (Saint-Venant and Wantzel; any textbook of gas dynamics). A hole with a sharp edge has Cd near 0.61, a
// well-rounded one near 0.97 (US DOE compressed air tip sheet 3).
func OrificeFlow(cd, area, p0, t0, p float64) float64 {
	if p0 <= 0 || p >= p0 {
		return 0
	}
	r := p / p0
	if r <= CriticalRatio {
		return cd * area * p0 / math.Sqrt(t0) * chokedFactor
	}
	const g = HeatRatio
	return cd * area * p0 * math.Sqrt(2*g/((g-1)*GasConstant*t0)*(math.Pow(r, 2/g)-math.Pow(r, (g+1)/g)))
}

// OfHole is the conductance of a hole of the given area (m2) and discharge coefficient: the sonic
// conductance that passes what a choked ideal nozzle passes at AnrTemperature, and its critical ratio.
func OfHole(cd, area float64) Conductance {
	return Conductance{C: cd * area * chokedFactor / (AnrDensity * math.Sqrt(AnrTemperature)), B: CriticalRatio}
}
