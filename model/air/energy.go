package air

import "math"

// IsothermalExergy is the work that a volume (m3) stated at a reference could do in falling from p to the
// reference pressure at constant temperature, J: p_ref V ln(p/p_ref). It is the most that any pump could
// turn into hydraulic work. Cai, Kawashima and Kagawa call it the air power when V is a flow (from memory).
func IsothermalExergy(ref Reference, volume, p float64) float64 {
	return ref.Pressure * volume * math.Log(p/ref.Pressure)
}

// IsothermalWork is the least work to compress air at constant temperature t from p1 to p2, J/kg: R T ln(p2/p1).
func IsothermalWork(t, p1, p2 float64) float64 {
	return GasConstant * t * math.Log(p2/p1)
}

// IsentropicWork is the work of a steady-flow compressor without heat exchange, J/kg:
// g/(g-1) R T1 ((p2/p1)^((g-1)/g) - 1) (any textbook of thermodynamics).
func IsentropicWork(t1, p1, p2 float64) float64 {
	return HeatRatio / (HeatRatio - 1) * GasConstant * t1 * (math.Pow(p2/p1, (HeatRatio-1)/HeatRatio) - 1)
}

// IsentropicTemperature is the temperature after compression without heat exchange, K.
func IsentropicTemperature(t1, p1, p2 float64) float64 {
	return t1 * math.Pow(p2/p1, (HeatRatio-1)/HeatRatio)
}

// PolytropicWork is the flow work of a change with constant exponent n != 1, J/kg:
// n/(n-1) R T1 ((p2/p1)^((n-1)/n) - 1).
func PolytropicWork(n, t1, p1, p2 float64) float64 {
	return n / (n - 1) * GasConstant * t1 * (math.Pow(p2/p1, (n-1)/n) - 1)
}

// Cost is what a flow costs in a span: volume flow (m3/s, at the compressor's intake), its specific energy
// (J/m3, the electric energy that the station takes per intake volume) and the span (s) give the energy in
// joule; the price is in money per joule.
func Cost(flow, specificEnergy, span, price float64) (energy, money float64) {
	energy = flow * specificEnergy * span
	return energy, energy * price
}
