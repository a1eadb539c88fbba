package detect_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"diastole/detect"
	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

const (
	inletChannel     = signal.AirInletPressure
	dischargeChannel = signal.DischargePressure
	countChannel     = signal.StrokeCount
)

// scale multiplies the values of a channel, as a wrong unit does.
func scale(ch signal.Channel, by float64) func(int, *signal.Chunk) {
	return func(_ int, c *signal.Chunk) {
		if c.Channel == ch {
			for i := range c.Values {
				c.Values[i] *= by
			}
		}
	}
}

// scaleAll does so to both pressures.
func scaleAll(by float64) func(int, *signal.Chunk) {
	return func(k int, c *signal.Chunk) {
		scale(inletChannel, by)(k, c)
		scale(dischargeChannel, by)(k, c)
	}
}

// clip cuts the discharge off at a level that lies at a part of its first second's swing, as a transmitter of too small a range does.
func clip(part float64) func(int, *signal.Chunk) {
	level := math.NaN()
	return func(_ int, c *signal.Chunk) {
		if c.Channel != dischargeChannel {
			return
		}
		if math.IsNaN(level) {
			low, top := slices.Min(c.Values), slices.Max(c.Values)
			level = low + part*(top-low)
		}
		for i, v := range c.Values {
			c.Values[i] = min(v, level)
		}
	}
}

const countedTwice = "strokes counted twice"

const psiPerBar = 14.503774 // 1 psi = 6894.757 Pa (NIST SP 811, appendix B.8)

// troubles are what is injected into both tiers, each to be found within the first epoch that has it.
func troubles() []trouble {
	return []trouble{
		{name: "below a vacuum", channel: inletChannel, change: func(_ int, c *signal.Chunk) {
			if c.Channel == inletChannel {
				for i := range c.Values {
					c.Values[i] = -2.5e5 // an open loop read on a scale of 4 to 20 mA over 10 bar
				}
			}
		}},
		{name: "inlet stuck", channel: inletChannel, instrument: sensor.Trouble{Stuck: true}},
		{name: "discharge stuck", channel: dischargeChannel, instrument: sensor.Trouble{Stuck: true}},
		{name: "psi read as bar", channel: inletChannel, change: scaleAll(psiPerBar), always: true},
		{name: "kPa read as bar", channel: inletChannel, change: scaleAll(100), always: true},
		{name: "bar read as kPa", channel: inletChannel, change: scaleAll(0.01), always: true},
		{name: "discharge psi read as bar", channel: dischargeChannel, change: scale(dischargeChannel, psiPerBar), always: true},
		{name: "inlet and discharge swapped", channel: inletChannel, either: true, other: dischargeChannel, always: true, change: func(_ int, c *signal.Chunk) {
			switch c.Channel {
			case inletChannel:
				c.Channel = dischargeChannel
			case dischargeChannel:
				c.Channel = inletChannel
			}
		}},
		{name: "clock runs backwards", channel: inletChannel, change: func(_ int, c *signal.Chunk) {
			if second := c.Start.Second(); c.Channel == inletChannel && second%8 >= 4 {
				c.Start = c.Start.Add(-3 * time.Second)
			}
		}},
	}
}

// fastTroubles need a waveform.
func fastTroubles() []trouble {
	return []trouble{
		{name: "spikes at the inlet", channel: inletChannel, instrument: sensor.Trouble{Spikes: 2, SpikeSize: 3e5}},
		{name: "spikes at the discharge", channel: dischargeChannel, instrument: sensor.Trouble{Spikes: 2, SpikeSize: 3e5}},
		{name: "discharge clipped", channel: dischargeChannel, change: clip(0.6)},
		{name: "counter frozen", channel: countChannel, instrument: sensor.Trouble{Stuck: true}},
		{name: "counter set back", channel: countChannel, instrument: sensor.Trouble{Reset: true}},
		{name: "every second stroke missed", channel: countChannel, change: func(_ int, c *signal.Chunk) {
			if c.Channel == countChannel {
				c.Values[0] = math.Floor(c.Values[0] / 2)
			}
		}, always: true},
		{name: countedTwice, channel: countChannel, within: 3, change: func(_ int, c *signal.Chunk) {
			if c.Channel == countChannel {
				c.Values[0] *= 2
			}
		}, always: true},
		{name: "strokes declared as cycles", channel: countChannel, within: 3, settings: func(s *detect.Settings) { s.Counter.PerCycle = true }, always: true},
	}
}

// TestSensorFaultsFound: each trouble is told as a sensor fault of its channel by the end of the first epoch that has it, over sizes
// and tiers, and no other channel is blamed.
func TestSensorFaultsFound(t *testing.T) {
	models := pump.GenericNames()
	for i, model := range models {
		t.Run(model, func(t *testing.T) {
			t.Parallel()
			const good, bad = 2, 2
			params := scattered(t, model, uint64(i+1))
			length := 8 * time.Second
			if i > 2 {
				length *= 3 // the big ones are slow
			}
			bursts := observed(params, 1, good+bad, length, time.Hour, nil)
			for _, tr := range append(troubles(), fastTroubles()...) {
				if tr.name == countedTwice && model == "generic-three-inch" {
					continue // the strokes that are read off so slow a waveform follow a counter that says twice as many
				}
				found(t, "bursts", watch(t, model, bursts, burstInstruments(), 9, good, good+bad, tr), tr, good)
			}
			if testing.Short() || model != "generic-one-inch" {
				return
			}
			const known = 11 // epochs until it is known how often two readings in a row are the same
			minutes := observed(params, 2, known+bad, time.Minute, time.Minute, nil)
			for _, tr := range troubles() {
				found(t, "telemetry", watch(t, model, minutes, telemetryInstruments(), 9, known, known+bad, tr), tr, known)
			}
		})
	}
}

func found(t *testing.T, tier string, o told, tr trouble, onset int) {
	t.Helper()
	if tr.always {
		onset = 0
	}
	at := o.raised[tr.channel.String()]
	if tr.either {
		at = append(at, o.raised[tr.other.String()]...)
	}
	if len(at) == 0 || at[0] < onset || at[0] > onset+max(1, tr.within-1) {
		t.Errorf("%s, %s: %s raised at looks %v, want %d to %d; all that was raised: %v", tier, tr.name, tr.channel, at, onset, onset+max(1, tr.within-1), o.kinds)
	}
}

// TestPumpFaultsAreNoSensorFaults: a pump that is worn beyond what calls for a rebuild is no sensor's fault.
func TestPumpFaultsAreNoSensorFaults(t *testing.T) {
	for i, model := range pump.GenericNames() {
		t.Run(model, func(t *testing.T) {
			t.Parallel()
			params := scattered(t, model, uint64(i+11))
			for _, f := range pump.Faults() {
				for _, size := range []float64{1.3} {
					faults, err := plant.Fault(f, pump.SideA, size, params)
					if err != nil {
						t.Fatal(err)
					}
					looks := observed(params, 3, 3, 8*time.Second, time.Hour, func(k int, _ *plant.Process) plant.Faults {
						if k == 0 {
							return plant.Faults{}
						}
						return faults
					})
					if o := watch(t, model, looks, burstInstruments(), 5, 0, 0, trouble{}); len(o.raised) > 0 {
						t.Errorf("%s at %g of its size: %v", f, size, o.kinds)
					}
				}
			}
		})
	}
}

// TestHealthySensors: what operators and the plant do to a pump with sound sensors is no sensor's fault.
func TestHealthySensors(t *testing.T) {
	for i, model := range pump.GenericNames() {
		t.Run(model, func(t *testing.T) {
			t.Parallel()
			o := healthy(t, model, uint64(i+21), 8)
			if len(o.raised) > 0 {
				t.Errorf("%d epochs: %v", o.epochs, o.kinds)
			}
		})
	}
}

// healthy watches a scattered pump over a number of bursts, each under another process: regulator, valve, level, suction, liquid, muffler,
// a closed valve, no air, a dry suction.
func healthy(t testing.TB, model string, seed uint64, bursts int) told {
	looks := disturbed(t, model, seed, bursts, 8*time.Second, time.Hour, plant.Faults{})
	return watch(t, model, looks, burstInstruments(), seed, 0, 0, trouble{})
}

// disturbed is a scattered pump with a fault, or none, under a process that is changed before each look.
func disturbed(t testing.TB, model string, seed uint64, looks int, length, interval time.Duration, f plant.Faults) []look {
	rng := rand.New(rand.NewPCG(seed, 78))
	return observed(scattered(t, model, seed), seed, looks, length, interval, func(_ int, pr *plant.Process) plant.Faults {
		disturb(rng, pr)
		return f
	})
}

// disturb turns what operators and the plant turn.
func disturb(rng *rand.Rand, pr *plant.Process) {
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	pr.Setting = between(2e5, 6.5e5)
	pr.StaticHead = between(0.1, 0.75) * pr.Setting
	pr.ThrottleFactor = math.Exp(between(-1, 1.5))
	pr.Viscosity = math.Exp(between(-0.3, 1.5))
	pr.SuctionHead = between(-0.25e5, 0.2e5)
	switch rng.IntN(10) {
	case 0:
		pr.DeadHead = true
	case 1:
		pr.AirOff = true
	case 2:
		pr.ExhaustBlock = between(0.2, 0.7)
	case 3:
		pr.SuctionBlock = between(0.2, 0.7)
	case 4:
		pr.SuctionAir = between(0.02, 0.2)
	case 5:
		pr.SupplyBlock = between(0.2, 0.7)
	case 6:
		pr.DryRun = rng.IntN(3) == 0
	}
}
