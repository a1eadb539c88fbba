package advice

import (
	"diastole/model/air"
	"diastole/model/pump"
)

// Waste is what a fault changes in the air use of a running pump. Values are SI; what is not known is 0.
type Waste struct {
	// StrokeRate and ExpectedRate are strokes per second as seen and as the healthy pump would make at the same pressures.
	StrokeRate, ExpectedRate float64
	// AirPerStroke and ExpectedAir are m3 ANR per stroke and per bar absolute of inlet pressure; both 0 without an air flow meter.
	AirPerStroke, ExpectedAir float64
	// Inlet is the inlet pressure, Pa gauge.
	Inlet float64
}

// AirWaste is the air, m3/s ANR while the pump runs, that a fault uses for nothing; 0 where the signals do not tell of any. With an air
// flow meter it is the excess per stroke and in strokes. Without one only the strokes too many of a leaking check valve are known,
// each filling at least its stroke volume with air at inlet pressure.
func AirWaste(f pump.Fault, m pump.Model, w Waste) float64 {
	if !(w.StrokeRate > 0) || !(w.ExpectedRate > 0) {
		return 0
	}
	const bar = 1e5
	excess := max(0, w.StrokeRate-w.ExpectedRate)
	absolute := (w.Inlet + air.Atmosphere) / bar
	switch {
	case w.AirPerStroke > 0 && w.ExpectedAir > 0:
		if f == pump.CheckValveLeak { // the strokes too many deliver nothing
			return w.ExpectedAir * absolute * excess
		}
		return max(0, w.AirPerStroke-w.ExpectedAir) * absolute * w.StrokeRate
	case f == pump.CheckValveLeak:
		swept := m.StrokeVolume * excess
		local := air.Reference{Temperature: air.ANR.Temperature, Pressure: w.Inlet + air.Atmosphere}
		return local.To(air.ANR, swept)
	}
	return 0
}
