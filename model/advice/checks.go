package advice

import "diastole/model/pump"

// The checks are common practice; what a dead-head test can show follows from the build of the pump: a single
// leaking check valve lets it creep for one stroke at most, so a pump that stalls is not thereby cleared.

// exhaustFirst comes before any check that builds up pressure: it needs no touch and may end the search.
var exhaustFirst = Check{
	Do:     "From a safe distance, look at the exhaust and the muffler.",
	Record: "exhaust dry, wet or with product",
	Means:  "Product or foam there points to a torn diaphragm (water alone may be condensate): stop, do no further test, and treat the pump as ruptured.",
}

// operatingPoint is written down so that the rebuilt pump can be compared with the old one.
var operatingPoint = Check{
	Do:     "At steady running, read the air pressure at the pump, the discharge pressure and the strokes in one minute.",
	Record: "air pressure, discharge pressure, strokes per minute",
	Means:  "The rebuilt pump is compared with these at the same two pressures.",
}

// deadHeadRule limits every check against a closed valve.
const deadHeadRule = "Only where the site allows it, the piping is rated for the full air pressure, and nothing points to a torn diaphragm: "

// faultChecks are the checks per fault.
var faultChecks = map[pump.Fault][]Check{
	pump.CheckValveLeak: {
		exhaustFirst,
		operatingPoint,
		{
			Do:    "Listen with a contact probe at each of the four check valves.",
			Means: "A hiss while the valve should be shut, or a missing tap, points to that ball and seat.",
		},
		{
			Do:    "Ask whether the pump loses its prime or is slow to prime.",
			Means: "If so, suspect the suction balls, or air drawn in at a suction joint: look there first, it needs no kit.",
		},
		{
			Do:     deadHeadRule + "close the discharge valve slowly and count strokes for one minute.",
			Record: "strokes in one minute against the closed valve",
			Means: "Strokes that go on mean leaks that serve both strokes, or a leak downstream. " +
				"A pump that stalls is not cleared: one leaking check valve stalls too.",
		},
	},
	pump.DiaphragmRupture: {
		{
			Do:     "From a safe distance, look for product, foam or mist at the exhaust, and for a wet muffler.",
			Record: "exhaust dry, wet or with product",
			Means:  "Any of these confirms the rupture. A dry exhaust does not clear it: with suction lift the air goes into the product.",
		},
		{
			Do:    "Look for air bubbles in the delivered liquid.",
			Means: "Bubbles without a leak at the suction joints confirm the rupture.",
		},
		{
			Do:    "Look for product in the drain of the air filter and regulator, with the air shut and bled.",
			Means: "Product there means that it went up the air line: other users of that air are concerned.",
		},
	},
	pump.AirValveSticking: {
		exhaustFirst,
		operatingPoint,
		{
			Do:    "Look for ice at the muffler, and let the pump rest.",
			Means: "If it runs well again after a rest, it iced up: dry the air or warm the exhaust, no kit is needed.",
		},
		{
			Do:    "Look into the bowl of the air filter and drain it as its maker says.",
			Means: "Water, oil or rust there is the usual reason for a sticking valve: mend the air, or the new valve sticks too.",
		},
		{
			Do:    "Listen to the beat without touching the pump.",
			Means: "A pause in mid-stroke or a beat that comes and goes points to the main valve; a pause at each stroke's end to the pilot.",
		},
	},
	pump.AirValveLeak: {
		exhaustFirst,
		operatingPoint,
		{
			Do:    "Go round clamps, gaskets and air joints with leak-detection fluid.",
			Means: "Bubbles at a joint mean an outside leak: mending the joint may be all it needs.",
		},
		{
			Do:     deadHeadRule + "close the discharge valve slowly and wait until the pump stands still.",
			Record: "air flow or sound at standstill",
			Means:  "Air that still leaves the exhaust passes the main valve or the shaft seals. A tight pump stalls in silence.",
		},
	},
	pump.PilotValveSlow: {
		exhaustFirst,
		operatingPoint,
		{
			Do:    "Listen to the beat without touching the pump.",
			Means: "A pause at both ends of the stroke points to the pilot valve; a limping beat to one side of it.",
		},
		{
			Do:     "Read the air pressure at the pump while it runs.",
			Record: "lowest air pressure at the pump",
			Means:  "Near the lowest pressure that the maker allows, the pilot is slow without being worn: raise the pressure within the plate.",
		},
		{
			Do:    "Look into the bowl of the air filter and drain it as its maker says.",
			Means: "Water, oil or rust there slows a pilot valve: mend the air, or the new one is slow too.",
		},
	},
}

// suddenChecks come on top where the change came within minutes: wear does not do that.
var suddenChecks = map[pump.Fault]Check{
	pump.CheckValveLeak: {
		Do:    "It came suddenly: flush the pump if the procedure allows, look at the suction strainer, and watch it for some minutes.",
		Means: "If the beat is even again, debris had held a ball open and has passed: no kit is needed.",
	},
	pump.AirValveSticking: {
		Do:    "It came suddenly: ask for water in the air, frost, or work on the air system.",
		Means: "A slug of water, oil or rust sticks a sound valve: clean it before replacing it.",
	},
	pump.AirValveLeak: {
		Do:    "It came suddenly: ask what was last done to the pump.",
		Means: "A gasket set wrong or a spool reversed in a rebuild blows through from the first stroke.",
	},
	pump.PilotValveSlow: {
		Do:    "It came suddenly: ask what was last done to the pump.",
		Means: "A bent pilot pin or a pilot seal left out in a rebuild shows from the first stroke.",
	},
}

// checks lists the checks before opening, the sudden one right behind the look at the exhaust.
func checks(f pump.Fault, sudden bool) []Check {
	list := clone(faultChecks[f])
	extra, has := suddenChecks[f]
	if !sudden || !has {
		return list
	}
	return append(append(clone(list[:1]), extra), list[1:]...)
}

// Recorded are all checks of a fault with the readings to write down, also those of a sudden change.
func Recorded(f pump.Fault) []Check { return checks(f, true) }
