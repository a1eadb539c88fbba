// Package pump is the vocabulary of the trade: what can be wrong with an air-operated double-diaphragm
// pump, what outside it can look the same, which kit mends what, and how big the generic pumps are.
package pump

// Fault is something wrong with the pump itself, mended by a rebuild kit.
type Fault string

// The faults that a ticket can name.
const (
	CheckValveLeak   Fault = "check-valve-leak"
	DiaphragmRupture Fault = "diaphragm-rupture"
	AirValveSticking Fault = "air-valve-sticking"
	AirValveLeak     Fault = "air-valve-leak"
	PilotValveSlow   Fault = "pilot-valve-slow"
)

// Faults lists them all, in documented order.
func Faults() []Fault {
	return []Fault{CheckValveLeak, DiaphragmRupture, AirValveSticking, AirValveLeak, PilotValveSlow}
}

// Cause is something outside the pump, or a sensor, that explains a change without a rebuild.
type Cause string

// The causes that an advisory can name.
const (
	SuctionRestricted Cause = "suction-restricted"
	SuctionAir        Cause = "suction-air"
	ExhaustRestricted Cause = "exhaust-restricted"
	SupplyRestricted  Cause = "supply-restricted"
	DryRunning        Cause = "dry-running"
	DeadHead          Cause = "dead-head"
	NotStroking       Cause = "not-stroking"
	LiquidChanged     Cause = "liquid-changed"
	DamperLost        Cause = "damper-lost"
	LiquidInAir       Cause = "liquid-in-air"
	SensorFault       Cause = "sensor-fault"
	UnexplainedChange Cause = "unexplained-change"
)

// Causes lists them all, in documented order.
func Causes() []Cause {
	return []Cause{
		SuctionRestricted, SuctionAir, ExhaustRestricted, SupplyRestricted, DryRunning, DeadHead,
		NotStroking, LiquidChanged, DamperLost, LiquidInAir, SensorFault, UnexplainedChange,
	}
}

// Kit is a bag of parts that a technician pulls from the shelf.
type Kit string

// The kits.
const (
	WetEnd     Kit = "wet-end"
	AirEnd     Kit = "air-end"
	PilotValve Kit = "pilot-valve"
)

// Side is the stroke that a fault shortens or disturbs: A ends on an odd total of the stroke counter,
// B on an even one.
type Side string

// The sides.
const (
	SideA       Side = "a"
	SideB       Side = "b"
	SideBoth    Side = "both"
	SideUnknown Side = "unknown"
)

// Other is the opposite side; both and unknown have none and stay.
func (s Side) Other() Side {
	switch s {
	case SideA:
		return SideB
	case SideB:
		return SideA
	default:
		return s
	}
}

// Urgency says how soon the pump wants to be opened.
type Urgency string

// The urgencies, from most to least pressing.
const (
	Stop    Urgency = "stop"
	Soon    Urgency = "soon"
	Planned Urgency = "planned"
)
