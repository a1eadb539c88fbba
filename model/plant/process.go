package plant

// Process is all that surrounds the pump: what operators, the plant and the weather do.
type Process struct {
	// Header is the air pressure upstream of the regulator, Pa gauge; Setting what the regulator is set
	// to, Pa gauge.
	Header, Setting float64
	// SupplyBlock is the part of the supply line's conductance that is lost: clogged filter, kinked hose.
	SupplyBlock float64
	// AirOff shuts the air; the valve vents what is downstream of it.
	AirOff bool

	// StaticHead is the pressure at the far end of the discharge line, Pa gauge: a level, a vessel, a
	// manifold that other pumps share.
	StaticHead float64
	// ThrottleFactor multiplies the loss of the valve at the end of the line: 1 as built, 4 half shut.
	ThrottleFactor float64
	// DeadHead shuts that valve.
	DeadHead bool
	// Damper is the share of a damper's charge that is left: 1 full, 0 lost. Without a damper it means
	// nothing.
	Damper float64

	// SuctionHead is the pressure at the far end of the suction line, Pa gauge: positive when flooded,
	// negative when it lifts.
	SuctionHead float64
	// SuctionBlock is the part of the suction line's area that is blocked, 0 to below 1.
	SuctionBlock float64
	// SuctionAir is the gas drawn with the liquid, by volume at suction, beyond what the liquid carries.
	SuctionAir float64
	// DryRun empties the suction: the pump draws gas only.
	DryRun bool

	// Viscosity and Density of the liquid are relative to water at 20 degC.
	Viscosity, Density float64

	// ExhaustBlock is the part of the muffler's conductance that is lost. Icing is the part that ice
	// takes when running goes on for minutes; it thaws when the pump rests.
	ExhaustBlock, Icing float64

	// Ambient temperature, K.
	Ambient float64
}
