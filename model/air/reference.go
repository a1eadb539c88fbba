package air

// Reference is a state at which a volume of air is stated. Gases are ideal and dry here: a volume at one
// reference becomes one at another by pressure and temperature alone, as makers' conversion tables do.
type Reference struct {
	// Temperature, K.
	Temperature float64
	// Pressure, Pa absolute.
	Pressure float64
}

// The references in use.
var (
	// ANR is 20 degC, 100 kPa (ISO 8778). Its 65 % humidity is not part of the conversion.
	ANR = Reference{AnrTemperature, AnrPressure}
	// Normal is 0 degC, 101.325 kPa (DIN 1343): the "normal" litre and cubic metre.
	Normal = Reference{273.15, Atmosphere}
	// Standard60F is 60 degF, 14.7 psia: one of several "standard" cubic feet.
	Standard60F = Reference{288.70555555555556, 14.7 * PSI}
)

// PSI is one pound-force per square inch, Pa (NIST SP 811).
const PSI = 6894.757293168361

// To turns a volume (or volume flow) stated at r into the volume of the same gas at other.
func (r Reference) To(other Reference, volume float64) float64 {
	return volume * r.Pressure / other.Pressure * other.Temperature / r.Temperature
}

// Density of dry air at the reference, kg/m3.
func (r Reference) Density() float64 {
	return r.Pressure / (GasConstant * r.Temperature)
}

// VolumeANR turns a mass flow (kg/s) into the volume flow at ANR (m3/s) as ISO 6358 does, with AnrDensity.
func VolumeANR(massFlow float64) float64 { return massFlow / AnrDensity }
