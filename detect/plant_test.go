package detect

import (
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"diastole/detect/diagnose"
	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/pump"
)

// The pump that the tests of this package watch: a simulated one-inch pump that is sampled for some seconds an hour. It
// is healthy for healthyBursts of them, and then its air valve sticks.
const (
	bursts        = 36
	healthyBursts = 26
	burstSeconds  = 8
	sampleRate    = 100 // waveform samples a second
)

var begin = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// recorded simulates once for all tests; what they get they must not change.
var recorded = sync.OnceValue(func() []signal.Chunk {
	rng := rand.New(rand.NewPCG(1, 40))
	params, err := plant.Generic("generic-one-inch")
	if err != nil {
		panic(err)
	}
	params = params.Scatter(rng, 1)
	p := plant.New(params, 1)
	p.Used(1e9) // worn in
	const settling = 3 * time.Second
	process := params.Reference()
	var out []signal.Chunk
	for burst := range bursts {
		process.StaticHead = 1e5 * (0.8 + 0.4*rng.Float64())
		var faults plant.Faults
		if burst >= healthyBursts {
			if faults, err = plant.Fault(pump.AirValveSticking, pump.SideUnknown, 1, params); err != nil {
				panic(err)
			}
		}
		p.Set(faults, process)
		p.Run(settling, settling, nil)
		at := begin.Add(time.Duration(burst) * time.Hour)
		for range burstSeconds {
			out = append(out, second(p, at, rng)...)
			at = at.Add(time.Second)
		}
	}
	return out
})

// second runs the pump for a second and reads its instruments: two pressures with the noise of an ordinary transmitter, and
// the stroke counter at the end.
func second(p *plant.Pump, at time.Time, rng *rand.Rand) []signal.Chunk {
	const noise, step = 1e-3, time.Second / sampleRate
	inlet := signal.Chunk{Channel: signal.AirInletPressure, Start: at, Step: step}
	discharge := signal.Chunk{Channel: signal.DischargePressure, Start: at, Step: step}
	p.Run(time.Second, step, func(x plant.Sample) {
		inlet.Values = append(inlet.Values, x.Inlet*(1+noise*rng.NormFloat64()))
		discharge.Values = append(discharge.Values, x.Discharge*(1+noise*rng.NormFloat64()))
	})
	count := signal.Chunk{Channel: signal.StrokeCount, Start: at.Add(time.Second - 1), Values: []float64{float64(p.Strokes())}}
	return []signal.Chunk{inlet, discharge, count}
}

// watched are the settings of the monitor for that pump, which learns for a day.
func watched(t testing.TB) Settings {
	t.Helper()
	model, err := pump.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	hypotheses, err := diagnose.Hypotheses(model)
	if err != nil {
		t.Fatal(err)
	}
	return settings(model, hypotheses)
}

func settings(model pump.Model, hypotheses []diagnose.Hypothesis) Settings {
	s := Settings{Model: model, Hypotheses: hypotheses, FalseTicketsPerYear: 0.05, Learn: LearnSettings{For: 24 * time.Hour}}
	s.Channels[signal.AirInletPressure] = true
	s.Channels[signal.DischargePressure] = true
	s.Channels[signal.StrokeCount] = true
	return s
}
