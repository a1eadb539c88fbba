package detect

import (
	"slices"

	"diastole/detect/cycle"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/sensor"
	"diastole/detect/signal"
	"diastole/model/pump"
)

func sensorsOf(s *Settings) sensor.Pump {
	return sensor.Pump{
		Channels: s.Channels, OnChange: s.OnChange, CounterPerCycle: s.Counter.PerCycle,
		CounterWraps: s.Counter.WrapsAt > 0,
		Ratio:        s.PressureRatio, MaxAir: s.Model.MaxAirPressure, BeforeValve: s.AirBeforeValve,
	}
}

// sense lets the watch over the sensors see an epoch that has just been finished. What was wrong is stored with it, and what hangs on
// it is taken out, so that both stay so when epochs are folded again.
func (m *Monitor) sense(e *feature.Epoch) {
	f := e.CounterFacts
	if e.State != feature.Running {
		// The dips of a pump that races dry are too shallow for the waveform to contradict the counter.
		f.Waveform, f.Counted = 0, 0
	}
	p := sensorsOf(&m.settings)
	seen := sensor.Epoch{
		Start: e.Start, End: e.End, Running: e.State == feature.Running || e.State == feature.Dry, Strokes: e.Strokes, Advance: e.CounterDelta,
		Resets: int(f.Resets), Still: int(f.Still), Waveform: int(f.Waveform), Counted: f.Counted,
	}
	faults := m.watch.Judge(&p, &seen)
	if m.state.Use.idle(e.Start, e.End) {
		return
	}
	e.Sensors = faults
	silence(e)
}

// silence takes out of an epoch what hangs on channels that cannot be believed, and nothing else.
func silence(e *feature.Epoch) {
	for _, f := range e.Sensors {
		switch f.Channel {
		case signal.AirInletPressure:
			silenceAir(e)
		case signal.DischargePressure:
			silenceDischarge(e)
			if f.Kind == sensor.Swapped {
				silenceAir(e)
			}
		case signal.StrokeCount:
			e.Anchored = false
			none(&e.Creep)
			if f.Kind != sensor.CounterReset { // the new total is right
				none(&e.Counter, &e.CounterExcess)
			}
		case signal.AirFlow:
			none(&e.Features[feature.AirPerStroke], &e.Air[feature.AirMetered], &e.StallAir)
		}
	}
}

// silenceAir takes out what hangs on the air inlet, which has a part in all that is measured of strokes.
func silenceAir(e *feature.Epoch) {
	none(&e.Inlet, &e.Jitter, &e.LiquidPerStroke, &e.Creep, &e.StallAir)
	e.Features = [feature.NumFeatures]feature.Value{}
	e.Air = [feature.NumAirModes]feature.Value{}
	e.Cycle = nil
	unsure(e)
}

// silenceDischarge takes out what is formed from the discharge, and what is told of a stall, which the discharge shows.
func silenceDischarge(e *feature.Epoch) {
	none(&e.Discharge, &e.Creep, &e.StallAir)
	none(&e.Features[feature.Ripple], &e.Features[feature.RippleAsymmetry], &e.Features[feature.Dwell], &e.Features[feature.DwellAsymmetry])
	if e.Cycle != nil {
		c := *e.Cycle
		c.Discharge = cycle.Wave{}
		e.Cycle = &c
	}
	unsure(e)
}

// none takes values out.
func none(values ...*feature.Value) {
	for _, v := range values {
		*v = feature.Value{}
	}
}

// unsure takes back a state that was read from the pressures.
func unsure(e *feature.Epoch) {
	if e.State != feature.Running {
		e.State = feature.Unknown
	}
}

// sensors follows the faults of the sensors that an epoch has with it.
func (m *Monitor) sensors(e *feature.Epoch) {
	const enough = 8 // strokes: less shows nothing
	works := e.Strokes >= enough || e.CounterDelta >= enough
	m.standing.Step(e.Start, works, e.Sensors, func(x sensor.Episode, c sensor.Change) {
		d := sensorDiagnosis(&x)
		k := [...]Kind{sensor.Opened: CauseRaised, sensor.Changed: CauseChanged, sensor.Closed: CauseCleared}[c]
		m.emit([]Finding{{Kind: k, Time: e.End, Key: key(string(pump.SensorFault)+"-"+x.Fault.Channel.String(), x.Since), Diagnosis: &d}})
	})
}

func sensorDiagnosis(x *sensor.Episode) diagnose.Diagnosis {
	f := x.Fault
	return diagnose.Diagnosis{
		Likelihood: diagnose.Likelihood{Cause: pump.SensorFault, Side: pump.SideUnknown, Probability: 1},
		Channel:    f.Channel.String(), Since: x.Since, Sensor: &f,
	}
}

// SensorChecks lists what can be told of the sensors that a pump has, in their order, and of each what is looked for.
func SensorChecks(s Settings) []SensorCheck {
	p := sensorsOf(&s)
	var out []SensorCheck
	for c := range signal.NumChannels {
		if kinds := sensor.Checks(&p, c); len(kinds) > 0 {
			out = append(out, SensorCheck{c, slices.Clip(kinds)})
		}
	}
	return out
}

// SensorCheck is what is looked for at a channel.
type SensorCheck struct {
	Channel signal.Channel
	Kinds   []sensor.Kind
}
