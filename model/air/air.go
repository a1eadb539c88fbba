// Package air holds what compressed air obeys at a pump: flow through valves and leaks, the reference
// conditions in which makers state it, and what it costs.
//
// Everything is SI and every pressure is absolute: pascal, kelvin, kilogram, m3, joule. Functions return
// NaN only where an argument is NaN; an impossible argument (a negative pressure) gives no flow.
package air

// Properties of dry air as an ideal gas.
const (
	// GasConstant of dry air, J/(kg K): 8.314462618 J/(mol K) over 28.9652 g/mol (CIPM-2007
	// composition, rounded as in common tables).
	GasConstant = 287.055
	// HeatRatio is cp/cv of air near room temperature.
	HeatRatio = 1.4
	// SpecificHeatV is the specific heat at constant volume, J/(kg K), from the two above.
	SpecificHeatV = GasConstant / (HeatRatio - 1)
	// SpecificHeatP is the specific heat at constant pressure, J/(kg K).
	SpecificHeatP = HeatRatio * SpecificHeatV
	// Atmosphere is the standard atmosphere at sea level, Pa (ISO 2533).
	Atmosphere = 101325.0
)

// The reference state of ISO 6358 and ISO 8778 (ANR): 20 degC, 100 kPa, 65 % relative humidity.
const (
	// AnrTemperature, K.
	AnrTemperature = 293.15
	// AnrPressure, Pa.
	AnrPressure = 100e3
	// AnrDensity, kg/m3. The standard sets it by convention (from memory); dry ideal air would have
	// 1.18835, moist air 1.18152.
	AnrDensity = 1.185
)
