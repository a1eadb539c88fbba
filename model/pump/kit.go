package pump

// Kits lists the kits in documented order.
func Kits() []Kit { return []Kit{WetEnd, AirEnd, PilotValve} }

// Part is one line of what a kit usually holds.
type Part struct {
	// Name says what the part is, in the plural where there are several.
	Name string
	// Quantity is the number of pieces; 0 means as many as the pump's own parts list shows.
	Quantity int
	// Note says when the line applies or what to watch; it may be empty.
	Note string
}

// contents is what such kits hold in general (common practice). A maker's kit may differ: its own parts list
// decides, so the words "in some kits" stand where makers are known to differ.
var contents = map[Kit][]Part{
	WetEnd: {
		{Name: "diaphragms", Quantity: 2},
		{Name: "back-up diaphragms", Quantity: 2, Note: "only with a PTFE overlay"},
		{Name: "check-valve balls", Quantity: 4},
		{Name: "check-valve seats", Quantity: 4, Note: "some kits hold the seat o-rings instead"},
		{Name: "seat o-rings or gaskets", Quantity: 4, Note: "never reuse a PTFE one: it has taken a set"},
		{Name: "manifold o-rings or gaskets", Quantity: 4, Note: "some pumps seal seat and manifold with one ring"},
		{Name: "shaft-bolt o-rings", Note: "in some kits"},
	},
	AirEnd: {
		{Name: "main spool or shuttle, or its seals", Quantity: 1},
		{Name: "sleeve, or its o-rings", Quantity: 1},
		{Name: "end-cap o-rings and bumpers"},
		{Name: "valve-body gasket", Quantity: 1},
		{Name: "centre-section gaskets"},
		{Name: "shaft seals", Quantity: 2, Note: "fit the lips as the service manual shows"},
		{Name: "shaft bushings", Note: "in some kits"},
		{Name: "pilot plungers with o-rings", Note: "in some kits"},
		{Name: "muffler gasket", Note: "in some kits"},
		{Name: "grease", Note: "only the kind that the service manual names"},
	},
	PilotValve: {
		{Name: "pilot spool and sleeve, or pilot plungers"},
		{Name: "pilot o-rings"},
		{Name: "retaining rings"},
		{Name: "pilot gasket", Quantity: 1},
	},
}

// Contents lists what a kit usually holds, for packing and for checking the bag before the pump is opened.
// The slice is the caller's own; it is empty for a kit that is not known.
func Contents(k Kit) []Part {
	return append([]Part(nil), contents[k]...)
}
