package main

import (
	"math"
	"math/rand/v2"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/pump"
)

const (
	rate  = 100  // waveform samples per second
	burst = 12   // seconds of an epoch
	noise = 1e-3 // of the reading: a transmitter of an ordinary class (common practice)
)

// observe runs a pump until it is steady and gives the observations of a number of bursts. There are none where it
// does not stroke.
func observe(m pump.Model, s setup, seed uint64, bursts int) ([]baseline.Observation, error) {
	return observeWorn(m, s, seed, bursts, wornIn)
}

// wornIn is how many strokes seals have run that no longer change.
const wornIn = 1e9

// observeWorn is observe for a pump whose seals have run so many strokes.
func observeWorn(m pump.Model, s setup, seed uint64, bursts int, worn float64) ([]baseline.Observation, error) {
	p := plant.New(s.params, seed)
	p.Used(worn)
	p.Set(s.faults, s.process)
	p.Settle()
	set := feature.Settings{MaxStrokeRate: 2 * m.MaxCycleRate}
	for _, c := range []signal.Channel{signal.AirInletPressure, signal.DischargePressure, signal.StrokeCount, signal.AirFlow} {
		set.Channels[c] = true
	}
	b := feature.NewBuilder(set)
	rng := rand.New(rand.NewPCG(seed, 22))
	at := time.Unix(1_700_000_000, 0).UTC()
	var out []baseline.Observation
	for range bursts {
		var truth sides
		for range burst {
			second(p, b, at, rng, &truth)
			at = at.Add(time.Second)
		}
		p.Run(time.Second, time.Second, nil)
		at = at.Add(time.Hour)
		b.Advance(at.Add(-time.Minute))
		epochs, _ := b.Take()
		for _, e := range epochs {
			if o, ok := baseline.Observe(e); ok {
				out = append(out, truth.name(o))
			}
		}
	}
	return out, nil
}

// sides sums the true stroke times of A and B.
type sides struct {
	last  int64
	sum   [2]float64
	count [2]float64
}

// name gives A and B the names that the simulator knows them by.
func (s *sides) name(o baseline.Observation) baseline.Observation {
	a, b := s.sum[plant.Left]/s.count[plant.Left], s.sum[plant.Right]/s.count[plant.Right]
	truth, seen := (a-b)/(a+b), o.Val[feature.Asymmetry]
	if math.Abs(-seen-truth) < math.Abs(seen-truth) {
		o = o.Mirrored()
	}
	o.SignFree = false
	return o
}

// second pushes one second of all channels.
func second(p *plant.Pump, b *feature.Builder, at time.Time, rng *rand.Rand, truth *sides) {
	inlet, discharge := make([]float64, 0, rate), make([]float64, 0, rate)
	flow := make([]float64, 0, 10)
	var air float64
	var last plant.Sample
	p.Run(time.Second, time.Second/rate, func(x plant.Sample) {
		inlet = append(inlet, x.Inlet*(1+noise*rng.NormFloat64()))
		discharge = append(discharge, x.Discharge*(1+noise*rng.NormFloat64()))
		if air += x.AirFlow / 10; len(inlet)%10 == 0 {
			flow = append(flow, air*(1+0.01*rng.NormFloat64()))
			air = 0
		}
		if x.Strokes != truth.last {
			side := plant.Left // A ends on an odd total
			if x.Strokes%2 == 0 {
				side = plant.Right
			}
			truth.last = x.Strokes
			truth.sum[side] += p.LastStroke(side)
			truth.count[side]++
		}
		last = x
	})
	b.Push(signal.Chunk{Channel: signal.AirInletPressure, Start: at, Step: time.Second / rate, Values: inlet})
	b.Push(signal.Chunk{Channel: signal.DischargePressure, Start: at, Step: time.Second / rate, Values: discharge})
	b.Push(signal.Chunk{Channel: signal.AirFlow, Start: at, Step: time.Second / 10, Values: flow})
	b.Push(signal.Chunk{Channel: signal.StrokeCount, Start: at.Add(time.Second), Values: []float64{float64(last.Strokes)}})
}
