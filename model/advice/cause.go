package advice

import (
	"fmt"

	"diastole/model/pump"
)

// actions is what operations can do about each cause (common practice). None of them needs a rebuild kit.
var actions = map[pump.Cause]string{
	pump.SuctionRestricted: "Check the suction: strainer, valve, hose, tank level, and whether the liquid has thickened. " +
		"Do not throttle the suction of such a pump.",
	pump.SuctionAir: "Look for air drawn in on the suction side: loose joints, a cracked hose, a low or swirling tank, a foaming liquid.",
	pump.ExhaustRestricted: "Look at the muffler and the exhaust line for ice or dirt. Ice goes after a rest; dry the air or warm the exhaust. " +
		"Clean a clogged muffler only with the air shut off, bled and locked.",
	pump.SupplyRestricted: "Check the air supply: filter, regulator, valve, hose, and who else draws from the header while this pump runs.",
	pump.DryRunning: "The pump runs without liquid. Check the tank level and the suction valve; stop the pump by the site's procedure " +
		"unless it is being emptied on purpose.",
	pump.DeadHead: "The pump stands against a closed or blocked discharge. A sound pump bears that, but both ends are under pressure and it " +
		"strokes as soon as the line opens. Check whether the closed valve is meant.",
	pump.NotStroking: "Air is on, but the pump does not stroke and the discharge is not at air pressure: the air valve may be centred or a ball stuck. " +
		"Keep clear, it can start without warning. Restart it by the site's procedure; if it does not run, shut the air and call maintenance.",
	pump.LiquidChanged: "The liquid seems thicker, thinner or heavier than the one that was learned. If the change is to stay, learn the pump again.",
	pump.DamperLost: "The discharge pulses more than it used to. Check the charge of the pulsation damper and the discharge hose, " +
		"with the line relieved.",
	pump.LiquidInAir: "The probe reports liquid on the air side: condensate, or product through a torn diaphragm. Keep clear of the exhaust, " +
		"find out which, and stop the pump by the site's procedure if it may be product. Shutting the air alone does not stop a flooded suction.",
	pump.SensorFault: "The sensor, its wiring or its tapping is the likeliest reason. Compare it with a gauge, look for a plugged or frozen line, " +
		"and check range and scaling.",
	pump.UnexplainedChange: "The pump has changed in a way that no known fault or cause explains. Ask what was done to it, listen to it, " +
		"and compare air pressure, discharge pressure and stroke rate with what is shown here.",
}

// ForCause says what operations should do about a cause outside the pump. A cause that is not one of
// pump.Causes is a programmer's error and panics.
func ForCause(c pump.Cause) string {
	action, known := actions[c]
	if !known {
		panic(fmt.Sprintf("advice: cause %q is not known; there are %v", c, pump.Causes()))
	}
	return action
}
