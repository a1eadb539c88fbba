// Package sensor is what stands between a simulated pump and a recorder: transmitters with filter, noise,
// resolution and faults, counters that wrap and freeze, and a link that loses, doubles and delays messages.
// Values are SI: pressures gauge in Pa, air flow in m3/s at ANR, liquid flow in m3/s, temperatures in K.
package sensor

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"diastole/model/plant"
)

// Base is how often instruments look at the pump: the sampling before any filter.
const Base = time.Millisecond

// Chunk is one stretch of evenly spaced readings, or one reading with a Step of zero. An edge has its
// time in Start and the value zero.
type Chunk struct {
	Channel string
	Start   time.Time
	Step    time.Duration
	Values  []float64
}

// End is the time at which the chunk is complete: just after its last reading.
func (c Chunk) End() time.Time { return c.Start.Add(time.Duration(len(c.Values)) * c.Step) }

// channels is how a perfect instrument reads each channel.
var channels = map[string]func(plant.Sample) float64{
	"air_inlet_pressure":  func(s plant.Sample) float64 { return s.Inlet },
	"discharge_pressure":  func(s plant.Sample) float64 { return s.Discharge },
	"suction_pressure":    func(s plant.Sample) float64 { return s.Suction },
	"exhaust_pressure":    func(s plant.Sample) float64 { return s.Exhaust },
	"air_supply_pressure": func(s plant.Sample) float64 { return s.Header },
	"air_flow":            func(s plant.Sample) float64 { return s.AirFlow },
	"liquid_flow":         func(s plant.Sample) float64 { return s.LiquidFlow },
	"ambient_temperature": func(s plant.Sample) float64 { return s.Ambient },
	"stroke_count":        func(s plant.Sample) float64 { return float64(s.Strokes) },
	"stroke_edge":         func(s plant.Sample) float64 { return s.LastStroke },
	"side_signal":         func(s plant.Sample) float64 { return bit(s.Spool > 0.5) },
	"liquid_in_air":       func(s plant.Sample) float64 { return bit(s.Wet) },
	"air_valve_open":      func(s plant.Sample) float64 { return bit(s.AirOn) },
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// Channels lists the channels that can be sensed, sorted.
func Channels() []string {
	names := make([]string, 0, len(channels))
	for name := range channels {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// Instrument is one instrument as bought and set up.
type Instrument struct {
	// Channel is what it senses, see Channels.
	Channel string
	// Rate is its readings per second; 1000 must be a multiple of it. A stroke_edge has none.
	Rate float64
	// Block is how many readings travel in one message; 0 and 1 send each alone.
	Block int
	// Cutoff is the -3 dB frequency of its low-pass filter of second order, Hz; zero for none.
	Cutoff float64
	// Noise is the standard deviation of a reading, Resolution the step it is rounded to.
	Noise, Resolution float64
	// Low and High are the ends of its range, at which it clips; both zero for none.
	Low, High float64
	// Offset is a constant error.
	Offset float64
	// Deadband sends a reading only when it has moved by more than this since the last one sent; it
	// needs a Block of one. Zero sends all.
	Deadband float64
	// WrapsAt is the total at which a counter starts anew; zero for never. PerCycle counts cycles.
	// Float32 rounds the total to single precision, as some controllers do: it then freezes when high.
	WrapsAt           int64
	PerCycle, Float32 bool
}

// Trouble is what goes wrong with an instrument for a while.
type Trouble struct {
	// Offset adds to every reading. Stuck repeats the last one.
	Offset float64
	Stuck  bool
	// Silent is the chance that a message is never sent.
	Silent float64
	// Spikes is how many readings per second are hit by interference, of SpikeSize standard deviation.
	Spikes, SpikeSize float64
	// Missed is the chance that a counter or switch misses a stroke, Chatter that it counts one twice.
	Missed, Chatter float64
	// Reset starts a counter anew once, at the moment it is set.
	Reset bool
}

// Validate tells what is wrong with an instrument.
func (i Instrument) Validate() error {
	if channels[i.Channel] == nil {
		return fmt.Errorf("sensor: channel %q cannot be sensed; allowed are %s", i.Channel, strings.Join(Channels(), ", "))
	}
	if i.Channel != "stroke_edge" {
		if every := 1000 / i.Rate; !(i.Rate > 0) || every != math.Trunc(every) {
			return fmt.Errorf("sensor: %s has a rate of %g readings a second; 1000 must be a multiple of it", i.Channel, i.Rate)
		}
	}
	for _, v := range []struct {
		name  string
		value float64
	}{{"cutoff", i.Cutoff}, {"noise", i.Noise}, {"resolution", i.Resolution}, {"deadband", i.Deadband}} {
		if !(v.value >= 0) || math.IsInf(v.value, 0) {
			return fmt.Errorf("sensor: %s has a %s of %g; it must be zero or more", i.Channel, v.name, v.value)
		}
	}
	if i.Cutoff >= 500 {
		return fmt.Errorf("sensor: %s has a cutoff of %g Hz; it must be below 500", i.Channel, i.Cutoff)
	}
	if i.Deadband > 0 && i.Block > 1 {
		return fmt.Errorf("sensor: %s reports on change and in blocks; only one of them is possible", i.Channel)
	}
	if i.Low > i.High || i.Block < 0 || i.WrapsAt < 0 {
		return fmt.Errorf("sensor: %s needs low <= high, and block and wrap of zero or more", i.Channel)
	}
	return nil
}

// Pressure is an ordinary pressure transmitter: 10 bar, 0.05 % noise, 12 bits, filtered at 40 % of its rate.
func Pressure(channel string, rate float64) Instrument {
	return Instrument{Channel: channel, Rate: rate, Block: max(1, int(rate)), Cutoff: min(0.4*rate, 400), Noise: 500, Resolution: 10e5 / 4096, Low: -1e5, High: 10e5}
}

// Counter is a stroke counter that is read once a second.
func Counter() Instrument { return Instrument{Channel: "stroke_count", Rate: 1} }

// AirMeter is an air flow meter at ten readings a second for a pump that uses about the given flow, m3/s at
// ANR: 2 % noise, and a lag of about 0.2 s as thermal meters have (common practice).
func AirMeter(flow float64) Instrument {
	return Instrument{Channel: "air_flow", Rate: 10, Block: 10, Cutoff: 1, Noise: 0.02 * flow, Resolution: 1e-3 * flow, Low: 0, High: 20 * flow}
}
