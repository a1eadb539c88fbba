package demo

import (
	_ "embed"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"diastole/agent/config"
	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/plant/scenario"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

// plantFile is the configuration that an engineer of the plant would write.
//
//go:embed plant.yaml
var plantFile []byte

const (
	// length is how long the plant is planned for, in its own time: at an hour a second, 36 minutes.
	length = 90 * 24 * time.Hour
	// every and burst are the sampling of a plant that wants no more data than it needs.
	every = time.Hour
	burst = 12 * time.Second
	// rate is the readings of a pressure transmitter per second.
	rate = 100
)

// start is when the plant begins, in its own time.
var start = time.Date(2026, time.March, 2, 6, 0, 0, 0, time.UTC)

// part is the part of one pump of plant.yaml in the plan.
type part struct {
	id, story string
	// air is the range in which operators set the regulator, level that of the pressure which the far end of the
	// discharge line holds, both Pa gauge; they change about as often as the times say.
	air, level           [2]float64
	airEvery, levelEvery time.Duration
	viscosity, density   float64
	// moves come on top, for good or until the next draw.
	moves []scenario.Change
	// wear has no fault where the pump stays sound.
	wear scenario.Wear
	// meter is the air flow that the pump's air meter is made for, m3/s at ANR; 0 where it has none.
	meter float64
}

// parts is the plan. Every pump's regulator and level are moved now and then, as in any plant.
func parts() []part {
	const h = time.Hour
	return []part{{
		id: "G-101", story: "stays sound",
		air: [2]float64{4.4e5, 5.2e5}, airEvery: 17 * h, level: [2]float64{0.8e5, 1.3e5}, levelEvery: 5 * h,
		viscosity: 3, density: 1.4,
	}, {
		id: "G-102", story: "stays sound, but its regulator is moved and its tank fills beyond what was learned: no ticket may come of it",
		air: [2]float64{4.2e5, 5.2e5}, airEvery: 11 * h, level: [2]float64{0.5e5, 1.4e5}, levelEvery: 3 * h,
		viscosity: 2, density: 1.3,
		moves: []scenario.Change{
			{At: 66 * h, Quantity: "setting", Value: 5.7e5},
			{At: 90 * h, Quantity: "static_head", Value: 2.0e5},
			{At: 110 * h, Quantity: "setting", Value: 3.9e5},
		},
	}, {
		id: "G-201", story: "one of its four check valves begins to leak, slowly",
		air: [2]float64{4.6e5, 5.4e5}, airEvery: 19 * h, level: [2]float64{1.0e5, 1.8e5}, levelEvery: 4 * h,
		viscosity: 4, density: 1.5,
		wear: scenario.Wear{Fault: pump.CheckValveLeak, Side: pump.SideA, From: 54 * h, Full: 154 * h},
	}, {
		id: "G-202", story: "a diaphragm tears",
		air: [2]float64{4.2e5, 5.0e5}, airEvery: 23 * h, level: [2]float64{0.7e5, 1.2e5}, levelEvery: 6 * h,
		viscosity: 2, density: 1.3,
		wear: scenario.Wear{Fault: pump.DiaphragmRupture, Side: pump.SideB, From: 80 * h, Full: 80 * h},
	}, {
		id: "G-301", story: "its air valve begins to stick",
		air: [2]float64{4.0e5, 4.8e5}, airEvery: 21 * h, level: [2]float64{0.6e5, 1.0e5}, levelEvery: 5 * h,
		viscosity: 1, density: 1,
		wear: scenario.Wear{Fault: pump.AirValveSticking, Side: pump.SideUnknown, From: 64 * h, Full: 184 * h},
	}, {
		id: "G-302", story: "its air valve begins to leak, which its air meter shows",
		air: [2]float64{4.4e5, 5.4e5}, airEvery: 13 * h, level: [2]float64{0.8e5, 1.4e5}, levelEvery: 7 * h,
		viscosity: 3, density: 1.1, meter: 0.025,
		wear: scenario.Wear{Fault: pump.AirValveLeak, Side: pump.SideUnknown, From: 72 * h, Full: 182 * h},
	}}
}

// plan is the plant as the simulator plays it, with the pumps and channels of the configuration. The seed fixes everything
// that is random. The error names what the configuration has and the plan lacks.
func plan(cfg *config.Config, seed uint64) (scenario.Scenario, error) {
	s := scenario.Scenario{
		Start: start, Length: length, Seed: seed,
		Bursts: scenario.Bursts{Every: every, Length: burst},
		Header: plant.Header{Nominal: 6.8e5, Swing: 0.1e5, SwingTime: 600},
	}
	all := parts()
	for i := range cfg.Pumps {
		c := &cfg.Pumps[i]
		k := slices.IndexFunc(all, func(p part) bool { return p.id == c.ID })
		if k < 0 {
			return s, fmt.Errorf("demo: nothing is planned for pump %s of the configuration", c.ID)
		}
		p, err := all[k].pump(c, rand.New(rand.NewPCG(seed, uint64(i))))
		if err != nil {
			return s, err
		}
		s.Pumps = append(s.Pumps, p)
	}
	return s, nil
}

// pump draws when operators move the regulator and how the level goes.
func (p *part) pump(c *config.Pump, rng *rand.Rand) (scenario.Pump, error) {
	out := scenario.Pump{
		ID: c.ID, Model: c.Settings.Model.Name, Scatter: 1, Used: 1e6,
		Process: []scenario.Setting{
			{Quantity: "setting", Value: between(p.air, rng)}, {Quantity: "static_head", Value: between(p.level, rng)},
			{Quantity: "viscosity", Value: p.viscosity}, {Quantity: "density", Value: p.density},
		},
		Plan: slices.Clone(p.moves),
	}
	for _, ch := range c.Channels {
		switch ch.Channel {
		case signal.AirInletPressure, signal.DischargePressure:
			out.Instruments = append(out.Instruments, sensor.Pressure(ch.Channel.String(), rate))
		case signal.StrokeCount:
			out.Instruments = append(out.Instruments, sensor.Counter())
		case signal.AirFlow:
			out.Instruments = append(out.Instruments, sensor.AirMeter(p.meter))
		default:
			return out, fmt.Errorf("demo: pump %s has no instrument for %s", c.ID, ch.Channel)
		}
	}
	if p.wear.Fault != "" {
		out.Wear = []scenario.Wear{p.wear}
	}
	draw := func(quantity string, within [2]float64, mean time.Duration) {
		for at := every; at < length; at += max(every, (mean/2 + time.Duration(rng.Int64N(int64(mean)))).Truncate(every)) {
			out.Plan = append(out.Plan, scenario.Change{At: at, Quantity: quantity, Value: between(within, rng)})
		}
	}
	draw("setting", p.air, p.airEvery)
	draw("static_head", p.level, p.levelEvery)
	slices.SortStableFunc(out.Plan, func(a, b scenario.Change) int { return int(a.At.Hours() - b.At.Hours()) })
	return out, nil
}

func between(r [2]float64, rng *rand.Rand) float64 { return r[0] + (r[1]-r[0])*rng.Float64() }
