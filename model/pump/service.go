package pump

import "time"

// Component is a wearing part or group of parts whose strokes are counted from the day that it was fitted.
type Component string

// The components that are counted.
const (
	Diaphragms  Component = "diaphragms"
	Balls       Component = "balls"
	Seats       Component = "seats"
	SeatSeals   Component = "seat-seals"
	MainValve   Component = "main-air-valve"
	PilotParts  Component = "pilot-valve"
	ShaftSeals  Component = "shaft-seals"
	Muffler     Component = "muffler"
	ShaftPlates Component = "shaft-and-plates"
)

// Components lists them all, in the order in which a rebuild meets them.
func Components() []Component {
	return []Component{Balls, Seats, SeatSeals, Diaphragms, ShaftPlates, MainValve, PilotParts, ShaftSeals, Muffler}
}

// Replaces is what a kit renews in general (common practice). A catalogue that says of its parts which component they are
// decides instead.
func (k Kit) Replaces() []Component {
	switch k {
	case WetEnd:
		return []Component{Balls, Seats, SeatSeals, Diaphragms}
	case AirEnd:
		return []Component{MainValve, ShaftSeals}
	case PilotValve:
		return []Component{PilotParts}
	}
	return nil
}

// Condition is how a part was found, from a short list, so that findings can be counted.
type Condition string

// The conditions of a part as found. What NotLookedAt says is that nothing is known of it.
const (
	AsNew       Condition = "as-new"
	Worn        Condition = "worn"
	Damaged     Condition = "damaged"
	Torn        Condition = "torn"
	Swollen     Condition = "swollen"
	Stuck       Condition = "stuck"
	Dirty       Condition = "dirty"
	Missing     Condition = "missing"
	WrongWay    Condition = "wrong-way-round"
	NotLookedAt Condition = "not-looked-at"
)

// Conditions lists them all.
func Conditions() []Condition {
	return []Condition{AsNew, Worn, Damaged, Torn, Swollen, Stuck, Dirty, Missing, WrongWay, NotLookedAt}
}

// Service is what a catalogue knows of the upkeep of one pump: the kits that fit its materials, and what to do when it is
// open. The zero value knows nothing.
type Service struct {
	Kits    []KitSpec
	Tools   []Tool
	Inspect []Inspection
	Joints  []Joint
}

// Kit finds the kit of a kind; ok is false where the catalogue has none.
func (s Service) Kit(k Kit) (spec KitSpec, ok bool) {
	for _, x := range s.Kits {
		if x.Kit == k {
			return x, true
		}
	}
	return KitSpec{}, false
}

// Replaces is what a kit renews in this pump: the components that its parts list names, else what such kits renew in general.
func (s Service) Replaces(k Kit) []Component {
	spec, _ := s.Kit(k)
	var named []Component
	for _, c := range Components() {
		for _, l := range spec.Parts {
			if l.Component == c {
				named = append(named, c)
				break
			}
		}
	}
	if len(named) > 0 {
		return named
	}
	return k.Replaces()
}

// KitSpec is one kit that can be pulled from the shelf.
type KitSpec struct {
	Kit    Kit
	Number string
	// Materials are the materials of the pump that the kit is for, by part in the catalogue's own words; empty: any.
	Materials map[string]string
	Parts     []BOMLine
	// Stock is nil where the catalogue does not count it.
	Stock *Stock
	// LeadTimeDays is from order to shelf; 0 where it is not given.
	LeadTimeDays float64
	// Cost is the price of one kit in Currency, an ISO 4217 code; both zero where it is not given.
	Cost     float64
	Currency string
}

// BOMLine is one line of a kit's bill of material.
type BOMLine struct {
	Part, Number string
	Quantity     int
	// Side is liquid, air or both.
	Side, Material string
	// Component is what the part is counted as; empty: it is not counted.
	Component Component
}

// Stock is what lay on the shelf on the morning of the day Counted (UTC); kits used since are taken off it.
type Stock struct {
	OnHand       int
	Counted      time.Time
	ReorderPoint int
	// Place says where, such as a store and a bin.
	Place string
}

// Tool is one tool with its size.
type Tool struct{ Tool, Size, Use string }

// Inspection is one point to look at when the pump is open, with what passes and what does not.
type Inspection struct{ Point, Accept, Reject string }

// Joint is one joint to tighten. Torque is nil where the manual gives none; Instead then says what to do.
type Joint struct {
	Joint   string
	Torque  *Torque
	Instead string
	// Pattern is the order of tightening; RetorqueHours after how many running hours the manual wants it checked again, 0: never.
	Pattern       string
	RetorqueHours float64
}

// Torque is a value of the user's catalogue, in the unit in which its source prints it. Without a source it does not exist.
type Torque struct {
	Value        float64
	Unit         string
	Source, Page string
}

// Installed is one pump of the installed base, watched or not.
type Installed struct {
	Position, Serial, Model string
	Materials               map[string]string
	Liquid, Hazard          string
	Criticality             string
	Shifts                  Shifts
}

// Shifts is when a pump's place is manned. Zero: not known.
type Shifts struct {
	DaysPerWeek, HoursPerDay float64
	// Words says more, such as "maintenance on Sunday nights".
	Words string
}

// Costs is what things cost at the site, in Currency (ISO 4217); a value of 0 is not given.
type Costs struct {
	Currency string
	// AirPerCubicMetre is for 1 m3 of compressed air at ANR.
	AirPerCubicMetre               float64
	LabourPerHour, DowntimePerHour float64
	// RebuildHours is how long a rebuild takes.
	RebuildHours float64
}
