package advice

import (
	"fmt"
	"math"
)

// bar is the unit in which people read pressures, Pa.
const bar = 1e5

// sensors says of each fault of a sensor what was seen, from the number that shows it and the one that it should not have passed, and
// what to check (common practice). The keys are the kinds' names in events; pressures are in Pa gauge.
var sensors = map[string]struct {
	seen func(observed, limit float64) string
	do   string
}{
	"out-of-range": {
		func(o, _ float64) string { return fmt.Sprintf("it reads %.2f bar, which is below a vacuum", o/bar) },
		"Check the wiring, the supply and the range of the transmitter, and whether it measures absolute pressure.",
	},
	"wrong-scale": {scaleSeen, "Compare it with a gauge while the pump runs, and check unit and range in the transmitter, the controller and the configuration."},
	"swapped": {
		func(o, l float64) string {
			return fmt.Sprintf("the discharge reads %.2f bar, while the air as it reads can press to %.2f bar at most: air and discharge are swapped, or one of them has a wrong scale", o/bar, l/bar)
		},
		"Check which transmitter is wired to which input, and both topics and units in the configuration.",
	},
	"stuck": {
		func(o, _ float64) string {
			return fmt.Sprintf("it shows the same value, %.5g, while the pump works", o)
		},
		"Look for a controller input that is held or simulated, a shut root valve, and a plugged or frozen line.",
	},
	"spikes": {
		func(o, _ float64) string {
			return fmt.Sprintf("single samples stick out by %.2f bar, as no pressure can", o/bar)
		},
		"Check the cable's screen and earth, its distance from power cables, and loose terminals.",
	},
	"dropout": {
		func(o, _ float64) string {
			return fmt.Sprintf("only %.0f %% of its usual samples came, while other channels delivered", 100*o)
		},
		"Check the cable, the terminals, the gateway and the network; a current outside 3.6 to 21 mA counts as none.",
	},
	"clipped": {
		func(o, _ float64) string { return fmt.Sprintf("the waveform is cut off flat at %.2f bar", o/bar) },
		"Set the transmitter or the input to a larger range, or fit one that has it.",
	},
	"aliased": {
		func(o, _ float64) string { return fmt.Sprintf("only %.1f samples came for each stroke", o) },
		"Sample the pressure faster: 20 samples a stroke show all.",
	},
	"zero-offset": {
		func(o, _ float64) string {
			if o < 0 {
				return fmt.Sprintf("it reads %.2f bar, and no air line is under a vacuum", o/bar)
			}
			return fmt.Sprintf("it reads a steady %.2f bar while the air valve is shut", o/bar)
		},
		"Vent the transmitter by the site's procedure and set its zero; with the air shut, check whether the shut-off valve leaks.",
	},
	"clock-back": {
		func(o, _ float64) string { return fmt.Sprintf("its times went back by %.0f s", o) },
		"Check the clock of the controller or gateway that stamps it, and its time server.",
	},
	"counter-reset": {
		func(_, _ float64) string { return "the total fell where it does not wrap" },
		"Check whether the controller was restarted or the total reset by hand; if it wraps, configure wraps_at.",
	},
	"counter-frozen": {
		func(o, _ float64) string {
			return fmt.Sprintf("the total stood still while the waveform showed %.0f strokes", o)
		},
		"Check the switch, its cable and the counter; a total in single precision stands still when it grows large.",
	},
	"counter-half": {
		func(_, _ float64) string {
			return "the total rises by half of the strokes that the waveform shows: it counts cycles, or misses every second stroke"
		},
		"If it counts cycles, configure counts: cycle; else check the switch.",
	},
	"counter-double": {
		func(_, _ float64) string {
			return "the total rises by twice the strokes that the waveform shows: it counts strokes, or each one twice"
		},
		"If it counts strokes, configure counts: stroke; else check the switch for bounce.",
	},
	"counter-missed": {shareSeen, "Check the switch and its cable, whether the input is fast enough, and whether the pressure is that of the same pump."},
	"counter-extra":  {shareSeen, "Check the switch for bounce and the cable for interference, and whether the pressure is that of the same pump."},
}

func shareSeen(o, _ float64) string {
	return fmt.Sprintf("the total rises by %.2f for each stroke that the waveform shows", o)
}

// scaleSeen guesses which unit was taken for which: 1 psi is 6894.757 Pa (NIST SP 811, appendix B.8).
func scaleSeen(o, l float64) string {
	what := fmt.Sprintf("it reads %.4g bar while the pump strokes, where %.3g bar is the most that can be", o/bar, l/bar)
	if o < l {
		what = fmt.Sprintf("it reads %.4g bar while the pump strokes, and none does with less than %.3g bar", o/bar, l/bar)
	}
	best, words := math.Inf(1), ""
	for _, u := range []struct {
		factor float64
		words  string
	}{
		{bar / 6894.757, "psi read as bar"}, {6894.757 / bar, "bar read as psi"}, {100, "kPa read as bar"}, {0.01, "bar read as kPa"},
		{1000, "mbar read as bar"}, {0.001, "bar read as mbar"}, {0.1, "MPa read as bar"}, {10, "bar read as MPa"},
	} {
		const usual = 4.5 * bar
		if d := math.Abs(math.Log(o / u.factor / usual)); o > 0 && d < best && (u.factor > 1) == (o > l) {
			best, words = d, u.words
		}
	}
	if words == "" {
		return what
	}
	return what + "; likeliest is " + words
}

// Sensor says of a fault of a sensor what was seen and what to check. kind is its name in events; one that has no words is a programmer's
// error and panics.
func Sensor(kind string, observed, limit float64) (seen, do string) {
	s, known := sensors[kind]
	if !known {
		panic(fmt.Sprintf("advice: fault %q of a sensor has no words", kind))
	}
	return s.seen(observed, limit), s.do
}
