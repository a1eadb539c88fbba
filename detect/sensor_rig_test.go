package detect_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

// look is one stretch of a simulated pump as a perfect observer sees it, one sample a sensor.Base.
type look struct {
	at      time.Time
	samples []plant.Sample
}

// stationStart is when the first look begins.
var stationStart = time.Date(2026, 4, 1, 6, 0, 0, 0, time.UTC)

// observed runs a pump for a number of looks of the given length, one each interval, under what turn makes of each.
func observed(params plant.Params, seed uint64, looks int, length, interval time.Duration, turn func(look int, pr *plant.Process) plant.Faults) []look {
	p := plant.New(params, seed)
	p.Used(1e9) // worn in
	p.SkipStrokes(2e6)
	out := make([]look, looks)
	for i := range out {
		pr := params.Reference()
		f := plant.Faults{}
		if turn != nil {
			f = turn(i, &pr)
		}
		p.Set(f, pr)
		const settling = 2 * time.Second
		if i == 0 || length < interval {
			p.Run(settling, settling, nil)
		}
		if pr.AirOff && length < interval {
			p.Run(4*settling, settling, nil) // the hose vents
		}
		out[i].at = stationStart.Add(time.Duration(i) * interval)
		p.Run(length, sensor.Base, func(x plant.Sample) { out[i].samples = append(out[i].samples, x) })
		if length < interval {
			p.FastForward(interval - length - settling)
		}
	}
	return out
}

// scattered is the pump of a size that a seed makes.
func scattered(t testing.TB, model string, seed uint64) plant.Params {
	t.Helper()
	params, err := plant.Generic(model)
	if err != nil {
		t.Fatal(err)
	}
	return params.Scatter(rand.New(rand.NewPCG(seed, 77)), 1)
}

// burstInstruments are an ordinary set of a pump whose pressures are sampled fast, telemetry those of one that has readings once a
// second only.
func burstInstruments() []sensor.Instrument {
	return []sensor.Instrument{
		sensor.Pressure("air_inlet_pressure", 100), sensor.Pressure("discharge_pressure", 100), sensor.Counter(),
	}
}

func telemetryInstruments() []sensor.Instrument {
	return []sensor.Instrument{
		sensor.Pressure("air_inlet_pressure", 1), sensor.Pressure("discharge_pressure", 1), sensor.Counter(),
	}
}

// trouble is one thing that goes wrong with the instruments from one look on.
type trouble struct {
	name    string
	channel signal.Channel
	// other is the channel that may be blamed as well, where either may.
	other  signal.Channel
	either bool
	// instrument is what happens inside the instrument of the channel; change what happens to the chunks on their way or by a
	// wrong configuration, k looks after the onset.
	instrument sensor.Trouble
	change     func(k int, c *signal.Chunk)
	// settings is a configuration that does not fit.
	settings func(*detect.Settings)
	// within is how many epochs it may take, where it is more than one.
	within int
	// always is set where the trouble is there from the first look, as a wrong configuration is.
	always bool
}

// told is what a monitor said of sensors.
type told struct {
	raised, cleared map[string][]int // by channel, the looks
	epochs          int
	tickets         []string
	kinds           []string // what was raised, in words
}

// watch shows the looks to a monitor through the instruments; the trouble begins at a look and ends before another one.
func watch(t testing.TB, model string, looks []look, instruments []sensor.Instrument, seed uint64, from, to int, tr trouble) told {
	t.Helper()
	set := sensorSettings(t, model)
	if tr.settings != nil {
		tr.settings(&set)
	}
	array, err := sensor.NewArray(seed, instruments...)
	if err != nil {
		t.Fatal(err)
	}
	m := detect.New(set)
	out := told{raised: map[string][]int{}, cleared: map[string][]int{}}
	if tr.always {
		from = 0
	}
	for i := range looks {
		on := i >= from && i < to
		if on {
			array.Set(tr.channel.String(), tr.instrument)
		} else {
			array.Set(tr.channel.String(), sensor.Trouble{})
		}
		chunks := chunksOf(t, array, &looks[i])
		for j := range chunks {
			if on && tr.change != nil {
				tr.change(i-from, &chunks[j])
			}
		}
		for _, c := range chunks {
			if len(c.Values) > 0 {
				m.Push(c)
			}
		}
		end := looks[i].at.Add(time.Duration(len(looks[i].samples)) * sensor.Base)
		if i+1 == len(looks) || looks[i+1].at.Sub(end) > time.Minute {
			end = end.Add(time.Minute) // a burst is over once nothing has come for a while
		}
		m.Advance(end)
		out.note(m.Take(), i)
	}
	return out
}

func (o *told) note(findings []detect.Finding, look int) {
	for _, f := range findings {
		switch {
		case f.Kind == detect.EpochDone:
			o.epochs++
		case f.Kind == detect.FaultRaised:
			o.tickets = append(o.tickets, string(f.Diagnosis.Fault))
		case f.Kind == detect.CauseRaised && f.Diagnosis.Cause == pump.SensorFault:
			o.raised[f.Diagnosis.Channel] = append(o.raised[f.Diagnosis.Channel], look)
			x := f.Diagnosis.Sensor
			o.kinds = append(o.kinds, fmt.Sprintf("look %d: %s %s, seen %.4g, limit %.4g", look, x.Channel, x.Kind, x.Observed, x.Limit))
		case f.Kind == detect.CauseCleared && f.Diagnosis.Cause == pump.SensorFault:
			o.cleared[f.Diagnosis.Channel] = append(o.cleared[f.Diagnosis.Channel], look)
		}
	}
}

// chunksOf is what the instruments make of a look, in the order of their times.
func chunksOf(t testing.TB, array *sensor.Array, l *look) []signal.Chunk {
	var out []signal.Chunk
	take := func(c sensor.Chunk) {
		ch, err := signal.ParseChannel(c.Channel)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, signal.Chunk{Channel: ch, Start: c.Start, Step: c.Step, Values: slices.Clone(c.Values)})
	}
	now := l.at
	for _, x := range l.samples {
		array.Look(now, x, take)
		now = now.Add(sensor.Base)
	}
	array.Flush(take)
	slices.SortStableFunc(out, func(a, b signal.Chunk) int {
		return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.Channel, b.Channel))
	})
	return out
}

var sensorHypotheses = sync.OnceValues(func() (map[string][]diagnose.Hypothesis, error) {
	out := map[string][]diagnose.Hypothesis{}
	for _, name := range pump.GenericNames() {
		model, err := pump.Generic(name)
		if err != nil {
			return nil, err
		}
		if out[name], err = diagnose.Hypotheses(model); err != nil {
			return nil, err
		}
	}
	return out, nil
})

// sensorSettings are those of a monitor that learns for longer than any of these tests: sensors are watched from the first epoch.
func sensorSettings(t testing.TB, name string) detect.Settings {
	t.Helper()
	model, err := pump.Generic(name)
	if err != nil {
		t.Fatal(err)
	}
	hypotheses, err := sensorHypotheses()
	if err != nil {
		t.Fatal(err)
	}
	s := detect.Settings{Model: model, Hypotheses: hypotheses[name], FalseTicketsPerYear: 0.05, Learn: detect.LearnSettings{For: 100 * 24 * time.Hour}}
	for _, c := range []signal.Channel{signal.AirInletPressure, signal.DischargePressure, signal.StrokeCount} {
		s.Channels[c] = true
	}
	return s
}
