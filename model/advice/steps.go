package advice

import (
	"slices"

	"diastole/model/pump"
)

// Step is one step of a rebuild, to be ticked off.
type Step struct {
	Do string
	// Note names what to write down; empty where initials are enough.
	Note string
}

// The steps are common practice with such pumps, in our own words. Which of them a pump needs, and how, its own service manual
// says: it goes before them.

var firstSteps = []Step{
	{"Air, suction and discharge shut, locked and tagged; air bled; both liquid sides relieved, drained and flushed. Zero proved on air and on liquid.", "locks and tags no."},
	{"Orientation of manifolds, chambers, air valve and its gasket marked and photographed.", "photos"},
}

var wetEndSteps = []Step{
	{"Discharge manifold off. Discharge balls, seats and their o-rings out, left and right kept apart.", "found"},
	{"Suction manifold off. Suction balls, seats and their o-rings out, left and right kept apart.", "found"},
	{"Clamps and outer chambers off. Beads and faces looked at for a path of leakage.", "found"},
	{"One diaphragm assembly unscrewed, the shaft drawn out, the other taken off with the shaft in soft jaws.", "found"},
	{"Plates looked at (large radius, edges), the shaft (straight, no scores), the faces of chambers and manifolds.", "found"},
	{"Diaphragms in: the plate's large radius toward the diaphragm, its air side as it is marked, the shaft as the manual says.", ""},
	{"Chambers set on a flat surface, level with each other, before the clamps are tightened; then the clamps evenly, in turn.", ""},
	{"Seats in, each the way round that the manual shows, with new o-rings in their grooves; balls of the kit, clean.", ""},
	{"Manifolds aligned, then tightened evenly, crosswise.", ""},
}

var airEndSteps = []Step{
	{"Air valve off, from outside. Its gasket's place kept in mind: the ports must be open when it goes back.", "found"},
	{"Spool or shuttle, sleeve and seals out. Scores, varnish, rust, oil sludge and product looked for; all of it cleaned and dry.", "found"},
	{"Shaft seals out and new ones in, their lips as the manual shows.", "found"},
	{"Spool and sleeve in with new seals; grease only of the kind that the manual names. The spool moves freely by hand.", ""},
	{"Air valve on with a new gasket over its ports; muffler clean.", ""},
}

var pilotSteps = []Step{
	{"Retaining rings and pilot out. Plungers or spool, o-rings and bore looked at; length of the pins compared.", "found"},
	{"Pilot in with new o-rings, seated; retaining rings home; it moves freely by hand.", ""},
}

var lastSteps = []Step{
	{"Every joint tightened as the manual says, without pressure. Tools and rags counted out, guards on.", ""},
	{"Locks off by those who set them. First start at low air pressure, people clear of the exhaust.", "air pressure"},
	{"Even beat. Soap water at chambers and air valve: no bubbles. All joints dry on the liquid side.", "leaks, dry and wet"},
	{"Where the site allows it: stalled against the closed discharge, and started again by itself.", "restarts"},
	{"Recorded with diastole rebuilt: kits, parts, what was found. The agent then judges the first strokes.", ""},
}

// Steps are the steps of a rebuild with these kits, in order. The slice is the caller's own.
func Steps(kits ...pump.Kit) []Step {
	of := map[pump.Kit][]Step{pump.WetEnd: wetEndSteps, pump.AirEnd: airEndSteps, pump.PilotValve: pilotSteps}
	steps := clone(firstSteps)
	for _, k := range pump.Kits() {
		if slices.Contains(kits, k) {
			steps = append(steps, of[k]...)
		}
	}
	return append(steps, lastSteps...)
}
