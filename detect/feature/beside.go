package feature

// Named is a value that stands beside the features.
type Named struct {
	// Name is that in the time-series store, Unit the SI unit, "1" for a dimensionless value.
	Name, Unit string
	Value      Value
}

// Beside lists what an epoch tells beside its features and operating point, in a fixed order, valid or not.
func (e *Epoch) Beside() []Named {
	return []Named{
		{"cycle_jitter", "1", e.Jitter},
		{"air_per_stroke_metered", "m3", e.Air[AirMetered]},
		{"air_per_stroke_virtual", "m3", e.Air[AirVirtual]},
		{"air_per_stroke_filling", "m3", e.Air[AirFilling]},
		{"liquid_per_stroke", "m3", e.LiquidPerStroke},
		{"stall_creep", "1/s", e.Creep},
		{"stall_air_flow", "m3/s", e.StallAir},
	}
}
