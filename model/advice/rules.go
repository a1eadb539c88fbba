package advice

import (
	"fmt"
	"strings"

	"diastole/model/pump"
)

// rule is what is fixed about a fault.
type rule struct {
	kit       pump.Kit
	bring     []pump.Kit
	iso14224  string
	ifNotDone string
	suspects  func(pump.Side) []string
}

// rules holds the trade's knowledge per fault (common practice). The ISO 14224 codes are real codes of that
// standard for pumps; which of them an air-operated double-diaphragm pump's fault gets is our own judgement,
// for the standard does not speak of these faults:
//   - a check valve passes liquid inside the pump: INL, internal leakage;
//   - a torn diaphragm lets product out through the exhaust: ELP, external leakage of process medium;
//   - a sticking air valve makes the beat uneven: ERO, erratic output (it becomes a stop only later);
//   - air passing to the exhaust is lost drive medium: ELU, external leakage of utility medium;
//   - a slow pilot valve only slows the pump: LOO, low output.
var rules = map[pump.Fault]rule{
	pump.CheckValveLeak: {
		kit:      pump.WetEnd,
		iso14224: "INL",
		ifNotDone: "The pump delivers less with each stroke and strokes faster for the same flow. The leak cuts into " +
			"ball and seat, the pump may lose its prime, and the diaphragms wear faster.",
		suspects: checkValveSuspects,
	},
	pump.DiaphragmRupture: {
		kit:      pump.WetEnd,
		bring:    []pump.Kit{pump.AirEnd},
		iso14224: "ELP",
		ifNotDone: "Product reaches the air end, the exhaust and the air line. Air reaches the product. " +
			"The pump may stop at any moment.",
		suspects: func(pump.Side) []string {
			return []string{
				"either diaphragm: a tear can lengthen or shorten its stroke, so the signals do not tell which",
				"air end: clean and inspect all of it, product may have reached it",
			}
		},
	},
	pump.AirValveSticking: {
		kit:       pump.AirEnd,
		bring:     []pump.Kit{pump.PilotValve},
		iso14224:  "ERO",
		ifNotDone: "The pump hesitates more often, until it stops between two strokes and does not start again by itself.",
		suspects: func(s pump.Side) []string {
			return []string{
				"main air valve" + atStroke(s, ", at the end that starts stroke %s") +
					": spool or shuttle and its seals (dirt, varnish, lost grease, wear)",
				"pilot valve: a weak pilot signal looks the same",
			}
		},
	},
	pump.AirValveLeak: {
		kit:      pump.AirEnd,
		iso14224: "ELU",
		ifNotDone: "Air is lost as long as the pump has air, also while it stands. The exhaust ices up sooner, " +
			"and the pump gets weaker against pressure.",
		suspects: func(pump.Side) []string {
			return []string{
				"main air valve: spool seals, sleeve or its o-rings, valve-body gasket",
				"shaft seals: air passes from one air chamber to the other",
			}
		},
	},
	pump.PilotValveSlow: {
		kit:       pump.PilotValve,
		bring:     []pump.Kit{pump.AirEnd},
		iso14224:  "LOO",
		ifNotDone: "The pauses at the ends of the strokes grow, the pump delivers less, and it may stop at the end of a stroke.",
		suspects: func(s pump.Side) []string {
			return []string{
				"pilot valve" + atStroke(s, ", on the side that ends stroke %s") + ": plungers or spool, o-rings, bore",
				"main air valve: a slow spool looks much the same",
			}
		},
	},
}

// OpenAllFour is what a ticket says of check valves until A and B are tied to left and right.
const OpenAllFour = "side unknown: open all four"

// checkValveSuspects names the check valves that act in the disturbed stroke. The suction check of one
// chamber and the discharge check of the other are closed, or should be, in the same stroke: the discharge
// and air signals cannot tell them apart, so both stand here. This follows from the build of the pump.
func checkValveSuspects(side pump.Side) []string {
	pair := func(stroke string) []string {
		return []string{
			"suction ball and seat of the chamber that discharges in stroke " + stroke,
			"discharge ball and seat of the other chamber",
		}
	}
	switch side {
	case pump.SideA:
		return append(pair("A"), OpenAllFour)
	case pump.SideB:
		return append(pair("B"), OpenAllFour)
	default:
		return []string{"suction and discharge balls and seats of both chambers", OpenAllFour}
	}
}

// atStroke puts the stroke's letter into words, or says nothing where the side is not one stroke.
func atStroke(s pump.Side, words string) string {
	if s != pump.SideA && s != pump.SideB {
		return ""
	}
	return fmt.Sprintf(words, strings.ToUpper(string(s)))
}
