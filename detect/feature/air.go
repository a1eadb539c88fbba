package feature

// AirMode is a way to come to know the air used by a stroke.
type AirMode uint8

// The ways, from the best to the least.
const (
	// AirMetered is by a flow meter.
	AirMetered AirMode = iota
	// AirVirtual is by the pressure drop over the supply path, whose conductance is known (ISO 6358), from a sensed
	// supply pressure or from the pressure at which the inlet stood in a stall.
	AirVirtual
	// AirFilling is by the air that fills a chamber of the model's displacement at the inlet pressure: what the pump should use,
	// without any leak.
	AirFilling
	// NumAirModes is how many there are.
	NumAirModes
)

var airModeNames = [NumAirModes]string{"metered", "virtual", "filling"}

// String is the way's name.
func (m AirMode) String() string {
	if m >= NumAirModes {
		return "air?"
	}
	return airModeNames[m]
}
