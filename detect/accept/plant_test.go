package accept_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/feature"
	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/pump"
)

// station is a pump where it works, with what is wrong with it.
type station struct {
	model   pump.Model
	params  plant.Params
	process plant.Process
	faults  plant.Faults
}

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// drawStation is a pump of another make than those of the table: passages, balls, dead times, friction and piping are off.
func drawStation(t *testing.T, name string, rng *rand.Rand) station { //nolint:unused // the campaign draws them
	t.Helper()
	m, err := pump.Generic(name)
	if err != nil {
		t.Fatal(err)
	}
	p, err := plant.Generic(name)
	if err != nil {
		t.Fatal(err)
	}
	p = p.Scatter(rng, 1)
	times := func(octaves float64) float64 { return math.Exp2(octaves * (2*rng.Float64() - 1)) }
	supply, exhaust, checks, pilot := times(0.25), times(0.25), times(0.25), times(0.5)
	opening, closing := times(0.7), times(0.7)
	for i := range 2 {
		p.Supply[i].C *= supply
		p.Exhaust[i].C *= exhaust
		p.PilotDelay[i] *= pilot
	}
	for i := range 4 {
		p.CheckArea[i] *= checks
		p.BallOpen[i] *= opening
		p.BallClose[i] *= closing
	}
	p.SupplyLine.C *= times(0.25)
	p.Friction *= times(0.5)
	p.Drag *= times(0.7)
	p.Spring *= times(0.5)
	p.SpoolTransit *= times(0.5)
	p.InletVolume *= times(0.7)
	p.DischargeCompliance *= times(1)
	p.LineInertance *= times(0.7)
	p.LineResistance *= times(0.7)
	p.Step = p.ChooseStep()
	s := station{model: m, params: p, process: p.Reference()}
	s.process.Setting = (3.5 + 2.5*rng.Float64()) * 1e5
	s.process.StaticHead = (0.1 + 0.35*rng.Float64()) * s.process.Setting
	s.process.ThrottleFactor = math.Exp(2*rng.Float64() - 0.8)
	s.process.Viscosity = math.Exp(0.7 * rng.Float64())
	return s
}

// run gives the epochs of a pump whose seals have run so many strokes, over bursts of a length an hour apart.
func run(t *testing.T, s station, seed uint64, metered bool, worn float64, length time.Duration, bursts int) []feature.Epoch {
	t.Helper()
	const rate = 100
	p := plant.New(s.params, seed)
	p.Used(worn)
	p.Set(s.faults, s.process)
	p.Run(20*time.Second, time.Second, nil)
	set := feature.Settings{MaxStrokeRate: 2 * s.model.MaxCycleRate}
	set.Channels[signal.AirInletPressure], set.Channels[signal.DischargePressure], set.Channels[signal.StrokeCount] = true, true, true
	set.Channels[signal.AirFlow] = metered
	b := feature.NewBuilder(set)
	rng := rand.New(rand.NewPCG(seed, 33))
	at := start
	for range bursts {
		for range int(length.Seconds()) {
			inlet, discharge, flow := make([]float64, 0, rate), make([]float64, 0, rate), make([]float64, 0, 10)
			var air, count float64
			p.Run(time.Second, time.Second/rate, func(x plant.Sample) {
				inlet = append(inlet, x.Inlet+500*rng.NormFloat64())
				discharge = append(discharge, x.Discharge+500*rng.NormFloat64())
				if air += x.AirFlow / 10; len(inlet)%10 == 0 {
					flow = append(flow, air*(1+0.01*rng.NormFloat64()))
					air = 0
				}
				count = float64(x.Strokes)
			})
			b.Push(signal.Chunk{Channel: signal.AirInletPressure, Start: at, Step: time.Second / rate, Values: inlet})
			b.Push(signal.Chunk{Channel: signal.DischargePressure, Start: at, Step: time.Second / rate, Values: discharge})
			if metered {
				b.Push(signal.Chunk{Channel: signal.AirFlow, Start: at, Step: time.Second / 10, Values: flow})
			}
			at = at.Add(time.Second)
			b.Push(signal.Chunk{Channel: signal.StrokeCount, Start: at, Values: []float64{count}})
		}
		at = at.Add(time.Hour)
		b.Advance(at.Add(-time.Minute))
	}
	epochs, _ := b.Take()
	return epochs
}
