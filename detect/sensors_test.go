package detect

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"diastole/detect/sensor"
	"diastole/detect/signal"
	"diastole/model/plant"
	instrument "diastole/model/plant/sensor"
	"diastole/model/pump"
)

// rig is a simulated pump with instruments and the monitor that watches it.
type rig struct {
	params plant.Params
	pump   *plant.Pump
	array  *instrument.Array
	m      *Monitor
	now    time.Time
	tier   tier
	// bend changes a chunk before the monitor sees it: what a wrong configuration does.
	bend func(c *signal.Chunk)
	// epochs counts those of running; faults are those of all epochs since the last look.
	epochs int
	faults []sensor.Fault
	kinds  []Kind
	causes []pump.Cause
}

// tier is what comes of the pump, and when.
type tier struct {
	name string
	rate float64
	// burst is how long it is sampled every hour, 0 where always.
	burst time.Duration
}

var tiers = []tier{{"100 Hz", 100, 0}, {"100 Hz in bursts", 100, 12 * time.Second}, {"1 Hz", 1, 0}}

func newRig(t testing.TB, size string, tr tier, seed uint64) *rig {
	t.Helper()
	params, err := plant.Generic(size)
	if err != nil {
		t.Fatal(err)
	}
	params = params.Scatter(rand.New(rand.NewPCG(seed, 1)), 1)
	model, err := pump.Generic(size)
	if err != nil {
		t.Fatal(err)
	}
	array, err := instrument.NewArray(seed, instrument.Pressure("air_inlet_pressure", tr.rate), instrument.Pressure("discharge_pressure", tr.rate), instrument.Counter())
	if err != nil {
		t.Fatal(err)
	}
	s := settings(model, nil)
	s.Learn.For = 1e6 * time.Hour // the sensors alone are looked at
	r := &rig{params: params, pump: plant.New(params, seed), array: array, m: New(s), now: begin, tier: tr}
	r.pump.Used(1e9)
	r.pump.Set(plant.Faults{}, params.Reference())
	r.pump.Run(5*time.Second, time.Second, nil)
	return r
}

// run lets a minute or a burst pass, and returns the faults of the epochs that ended.
func (r *rig) run() []sensor.Fault {
	length := r.tier.burst
	if length == 0 {
		length = time.Minute
	}
	r.array.Run(r.pump, r.now, length, r.push)
	r.array.Flush(r.push)
	r.now = r.now.Add(length)
	if r.tier.burst > 0 {
		r.now = r.now.Add(time.Hour - length)
	}
	r.m.Advance(r.now)
	r.faults = nil
	for _, f := range r.m.Take() {
		switch f.Kind {
		case EpochDone:
			r.epochs++
			r.faults = append(r.faults, f.Epoch.Sensors...)
		case CauseRaised, CauseCleared, CauseChanged:
			r.kinds = append(r.kinds, f.Kind)
			r.causes = append(r.causes, f.Diagnosis.Cause)
		}
	}
	return r.faults
}

func (r *rig) push(c instrument.Chunk) {
	channel, err := signal.ParseChannel(c.Channel)
	if err != nil {
		panic(err)
	}
	x := signal.Chunk{Channel: channel, Start: c.Start, Step: c.Step, Values: c.Values}
	if len(x.Values) > 1 && r.tier.rate <= 1 {
		panic("a block of slow readings")
	}
	if r.bend != nil {
		r.bend(&x)
	}
	if len(x.Values) > 0 {
		r.m.Push(x)
	}
}

// change makes the process another one, within what such pumps see.
func (r *rig) change(rng *rand.Rand) {
	p := r.params.Reference()
	p.StaticHead *= 0.3 + 1.4*rng.Float64()
	p.Setting *= 0.75 + 0.4*rng.Float64()
	r.pump.Set(plant.Faults{}, p)
}

// sensorCase is one fault of a sensor: how it is made, and what must be told of which channel.
type sensorCase struct {
	name    string
	channel signal.Channel
	kinds   []sensor.Kind
	// trouble befalls the instrument; bend is what a wrong configuration or a fault that instruments do not have makes of a chunk.
	trouble instrument.Trouble
	bend    func(*signal.Chunk)
	// waveform tells that only a waveform can show it.
	waveform bool
	// within is how many epochs it may take, where it is more than one.
	within int
}

func times(of signal.Channel, f float64) func(*signal.Chunk) {
	return func(c *signal.Chunk) {
		for i := range c.Values {
			if c.Channel == of {
				c.Values[i] *= f
			}
		}
	}
}

const psi = 6894.757 // Pa; NIST SP 811, appendix B.8

// clip cuts the discharge off at a level that it is above for three tenths of the time.
func clip() func(*signal.Chunk) {
	top := 0.0
	return func(c *signal.Chunk) {
		if c.Channel != signal.DischargePressure {
			return
		}
		if top == 0 {
			top = slices.Sorted(slices.Values(c.Values))[len(c.Values)*7/10]
		}
		for i := range c.Values {
			c.Values[i] = min(c.Values[i], top)
		}
	}
}

func sensorCases() []sensorCase {
	const air, out, count = signal.AirInletPressure, signal.DischargePressure, signal.StrokeCount
	return []sensorCase{
		{name: "air stuck", channel: air, kinds: []sensor.Kind{sensor.Stuck}, trouble: instrument.Trouble{Stuck: true}},
		{name: "discharge stuck", channel: out, kinds: []sensor.Kind{sensor.Stuck}, trouble: instrument.Trouble{Stuck: true}},
		{name: "air silent", channel: air, kinds: []sensor.Kind{sensor.Dropout}, trouble: instrument.Trouble{Silent: 1}},
		{name: "discharge mostly silent", channel: out, kinds: []sensor.Kind{sensor.Dropout}, trouble: instrument.Trouble{Silent: 0.8}},
		{name: "air spikes", channel: air, kinds: []sensor.Kind{sensor.Spikes}, trouble: instrument.Trouble{Spikes: 1, SpikeSize: 40e5}, waveform: true},
		{name: "discharge spikes", channel: out, kinds: []sensor.Kind{sensor.Spikes}, trouble: instrument.Trouble{Spikes: 1, SpikeSize: 40e5}, waveform: true},
		{name: "air broken wire", channel: air, kinds: []sensor.Kind{sensor.OutOfRange}, bend: func(c *signal.Chunk) {
			for i := range c.Values {
				if c.Channel == air {
					c.Values[i] = -2.5e5 + 100*float64(i%2) // 0 mA of 4-20 mA over 10 bar
				}
			}
		}},
		{name: "air in psi, called bar", channel: air, kinds: []sensor.Kind{sensor.WrongScale}, bend: times(air, 1e5/psi)},
		{name: "air in bar, called kPa", channel: air, kinds: []sensor.Kind{sensor.WrongScale}, bend: times(air, 0.01)},
		{name: "discharge in psi, called bar", channel: out, kinds: []sensor.Kind{sensor.WrongScale}, bend: times(out, 1e5/psi)},
		{name: "air and discharge swapped", channel: out, kinds: []sensor.Kind{sensor.Swapped}, bend: func(c *signal.Chunk) {
			switch c.Channel {
			case air:
				c.Channel = out
			case out:
				c.Channel = air
			}
		}},
		{name: "air below zero", channel: air, kinds: []sensor.Kind{sensor.ZeroOffset}, bend: func(c *signal.Chunk) {
			for i := range c.Values {
				if c.Channel == air {
					c.Values[i] = c.Values[i]/100 - 0.4e5
				}
			}
		}},
		{name: "counter reset", channel: count, kinds: []sensor.Kind{sensor.CounterReset}, trouble: instrument.Trouble{Reset: true}},
		{name: "counter frozen", channel: count, kinds: []sensor.Kind{sensor.CounterFrozen}, trouble: instrument.Trouble{Stuck: true}, waveform: true},
		{name: "counter misses 40 %", channel: count, kinds: []sensor.Kind{sensor.CounterMissed, sensor.CounterHalf}, trouble: instrument.Trouble{Missed: 0.4}, waveform: true, within: 8},
		{name: "counter counts 40 % twice", channel: count, kinds: []sensor.Kind{sensor.CounterExtra}, trouble: instrument.Trouble{Chatter: 0.4}, waveform: true, within: 8},
		{name: "cycles declared as strokes", channel: count, kinds: []sensor.Kind{sensor.CounterHalf}, bend: func(c *signal.Chunk) {
			if c.Channel == count {
				c.Values[0] = 1e6 + float64(int64(c.Values[0])/2) // without a fall, which is another fault
			}
		}, waveform: true},
		{name: "each stroke counted twice", channel: count, kinds: []sensor.Kind{sensor.CounterDouble}, bend: times(count, 2), waveform: true, within: 3},
		{name: "discharge clipped", channel: out, kinds: []sensor.Kind{sensor.Clipped}, bend: clip(), waveform: true},
	}
}

// found runs a case after a healthy while, and tells in which epoch from its beginning it was named, 0 for never, and what was told
// falsely before it.
func found(t testing.TB, size string, tr tier, c sensorCase, healthy int) (epoch int, falsely []sensor.Fault, seen []sensor.Fault) {
	r := newRig(t, size, tr, 11)
	if tr.burst == 0 {
		r.run() // the end of the first minute is uncertain
	}
	for range healthy {
		falsely = append(falsely, r.run()...)
	}
	r.array.Set(c.channel.String(), c.trouble)
	r.bend = c.bend
	for epoch = 1; epoch <= max(2, c.within); epoch++ { // the first may have begun before the fault
		seen = append(seen, r.run()...)
		for _, f := range seen {
			if f.Channel == c.channel && slices.Contains(c.kinds, f.Kind) {
				return epoch, falsely, seen
			}
		}
	}
	return 0, falsely, seen
}

// TestSensorFaultsAreNamed: each fault, in bursts of a waveform, is told of the right channel with the right name by the epoch that is the
// first to begin after it, or some later one where it takes several to be sure, and none before. Bursts are an epoch each.
func TestSensorFaultsAreNamed(t *testing.T) {
	for i, c := range sensorCases() {
		t.Run(c.name, func(t *testing.T) {
			size := pump.GenericNames()[i%len(pump.GenericNames())] // the campaign takes all
			epoch, falsely, seen := found(t, size, tiers[1], c, 11)
			if epoch < 1 || epoch > max(1, c.within) || len(falsely) > 0 {
				t.Errorf("%s: named in epoch %d, seen %v, before it %v", size, epoch, seen, falsely)
			}
		})
	}
}

// TestSoundSensors: whatever the process does, and whatever the pump has, a leak, a rupture or a sticking valve at full size, a sound
// sensor is not blamed.
func TestSoundSensors(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for i, size := range pump.GenericNames() {
		r := newRig(t, size, tiers[1], 20+uint64(i))
		for range 6 {
			r.change(rng)
			if f := r.run(); len(f) > 0 {
				t.Errorf("%s, healthy: %v", size, f)
			}
		}
		for _, fault := range pump.Faults() {
			faults, err := plant.Fault(fault, pump.SideUnknown, 1, r.params)
			if err != nil {
				t.Fatal(err)
			}
			r.pump.Set(faults, r.params.Reference())
			for range 2 {
				if f := r.run(); len(f) > 0 {
					t.Errorf("%s, %s: %v", size, fault, f)
				}
			}
		}
		if r.epochs < 15 {
			t.Errorf("%s: %d epochs", size, r.epochs)
		}
	}
}
