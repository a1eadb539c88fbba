package detect

import (
	"slices"

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
	f := &e.CounterFacts
	p := sensorsOf(&m.settings)
	faults := m.watch.Judge(&p, &sensor.Epoch{
		Start: e.Start, End: e.End, Running: e.State == feature.Running || e.State == feature.Dry, Strokes: e.Strokes, Advance: e.CounterDelta,
		Resets: int(f.Resets), Still: int(f.Still), Waveform: int(f.Waveform), Counted: f.Counted,
	})
	if m.state.Use.idle(e.Start, e.End) {
		return
	}
	e.Sensors = faults
	silence(e)
}

// hangOn are the features that are formed from a channel beside the air inlet, which has a part in all.
var hangOn = map[signal.Channel][]feature.ID{
	signal.DischargePressure: {feature.Ripple, feature.RippleAsymmetry, feature.Dwell, feature.DwellAsymmetry},
	signal.AirFlow:           {feature.AirPerStroke},
}

// silence takes out of an epoch what hangs on channels that cannot be believed, and nothing else.
func silence(e *feature.Epoch) {
	for _, f := range e.Sensors {
		switch f.Channel {
		case signal.AirInletPressure:
			silenceAir(e)
		case signal.StrokeCount:
			e.Anchored = false
			if f.Kind != sensor.CounterReset { // the new total is right
				e.Counter, e.CounterExcess = feature.Value{}, feature.Value{}
			}
		case signal.DischargePressure:
			e.Discharge, e.Cycle = feature.Value{}, nil
			unsure(e)
			if f.Kind == sensor.Swapped {
				silenceAir(e)
			}
		case signal.AirFlow:
			e.Air[feature.AirMetered], e.StallAir = feature.Value{}, feature.Value{}
		}
		for _, id := range hangOn[f.Channel] {
			e.Features[id] = feature.Value{}
		}
	}
}

func silenceAir(e *feature.Epoch) {
	e.Inlet = feature.Value{}
	e.Features = [feature.NumFeatures]feature.Value{}
	e.Air, e.Jitter, e.Creep, e.Cycle = [feature.NumAirModes]feature.Value{}, feature.Value{}, feature.Value{}, nil
	unsure(e)
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
