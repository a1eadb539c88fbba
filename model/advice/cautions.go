package advice

import "diastole/model/pump"

// Sources of the order: OSHA 29 CFR 1910.147(d) (know the energy, shut down, isolate, lock and tag, relieve
// what is stored, verify) and (e) (release); for static electricity NFPA 77. The rest is common practice with
// such pumps, in our own words.

// deference comes first on everything that is printed.
const deference = "This is a suspicion drawn from sensors, not proof that the pump is safe to open or to run. " +
	"The pump's own service manual, local codes, the site's permits and licensed practice go before everything printed here."

// beforeOpening holds for every fault.
var beforeOpening = []string{
	"Know the product and the worst one that the pump has held. Read the safety data sheet and wear what it asks for.",
	"Shut off the air supply to the pump, and close the suction and the discharge valve: isolate air and liquid both.",
	"Lock out and tag out every one of these valves by the site's own procedure.",
	"Bleed the air line at the pump. A stalled pump stands under full pressure on both ends and can stroke without warning.",
	"Relieve the liquid on suction and discharge, and in any damper. Pressure can stay trapped between the balls when " +
		"the air is off, and can be higher than the air pressure was.",
	"Prove zero pressure on the air and the liquid side before the first bolt is loosened, and keep watching: it can build up again.",
	"Drain, flush and neutralise as the site's procedure says.",
	"Expect product in the air end, the muffler and the exhaust line, also where the diaphragms look sound. Open slowly, from behind a shield.",
	"Keep pump, hoses and vessels bonded and grounded, and prove continuity before a flammable liquid comes back.",
	"Mind heavy parts, hot and cold surfaces, ice at the muffler, and noise. Protect eyes and ears and keep clear of the exhaust.",
}

// whileRebuilding holds for every fault, after the pump is open.
var whileRebuilding = []string{
	"Take every tightening value, sequence, lubricant and thread treatment from the pump's own service manual. " +
		"Never tighten a joint under pressure.",
	"Do not reuse PTFE seals, damaged balls or seats, or a bent shaft. Fit every part the right way round.",
	"Check that parts and cleaning agents suit the product and each other: halogenated solvents with aluminium or zinc are dangerous.",
	"Never go above the air pressure on the pump's plate, not even to free a stuck pump. Drive it with no gas that the maker does not allow.",
	"Before air comes back: tools out, guards on, discharge piping secured, people clear, each lock taken off by the one who set it.",
	"Start at low air pressure, look for leaks and an even beat, and keep away from the exhaust.",
}

// afterRupture comes before the rest where a diaphragm may be torn.
var afterRupture = []string{
	"Stop the pump by the site's procedure and keep it stopped.",
	"Stay clear of the exhaust: product can leave it together with air.",
	"Shutting the air does not stop the product. With a flooded suction, liquid runs through the tear into the air end " +
		"and out of the exhaust: close the suction valve too.",
	"Do not dead-head or run the pump to test it.",
	"Treat the air end, the muffler, the exhaust line and the air line back to the regulator as full of product, " +
		"perhaps under pressure, perhaps mixed with air or reacted.",
	"Lead the exhaust of a hazardous product to a safe place through a conductive, bonded hose, with its outlet above the " +
		"liquid level of a flooded suction and a vessel to catch what comes.",
}

// cautions lists what to heed, in the order in which it is needed.
func cautions(f pump.Fault) []string {
	list := []string{deference}
	if f == pump.DiaphragmRupture {
		list = append(list, afterRupture...)
	}
	list = append(list, beforeOpening...)
	return append(list, whileRebuilding...)
}
