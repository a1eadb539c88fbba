package advice_test

import (
	"math"
	"testing"

	"diastole/model/advice"
	"diastole/model/air"
	"diastole/model/pump"
)

// TestAirWaste: a one-inch pump of 350 mL a stroke at 5 bar that makes 0.5 strokes a second too many fills 0.175 L/s with air of
// 6.01325 bar absolute, which is 1.0523 L/s at the 1 bar of ANR (Boyle's law), 3.788 m3/h.
func TestAirWaste(t *testing.T) {
	m := pump.Model{StrokeVolume: 0.35e-3}
	w := advice.Waste{StrokeRate: 3.6, ExpectedRate: 3.1, Inlet: 5e5}
	if got, want := advice.AirWaste(pump.CheckValveLeak, m, w)*3600, 3.788; math.Abs(got-want) > 1e-3 {
		t.Errorf("check valve: %v m3/h, want %v", got, want)
	}
	for _, f := range []pump.Fault{pump.AirValveLeak, pump.PilotValveSlow, pump.DiaphragmRupture} {
		if got := advice.AirWaste(f, m, w); got != 0 {
			t.Errorf("%s without a flow meter: %v", f, got)
		}
	}
	// With a meter: 0.1 mL ANR a stroke and bar too much, at 3.6 strokes a second and 6.01325 bar.
	w.AirPerStroke, w.ExpectedAir = 0.5e-3, 0.4e-3
	if got, want := advice.AirWaste(pump.AirValveLeak, m, w), 0.1e-3*(5e5+air.Atmosphere)/1e5*3.6; math.Abs(got-want) > 1e-12 {
		t.Errorf("air valve: %v, want %v", got, want)
	}
	if got := advice.AirWaste(pump.AirValveLeak, m, advice.Waste{}); got != 0 {
		t.Errorf("nothing known: %v", got)
	}
}
