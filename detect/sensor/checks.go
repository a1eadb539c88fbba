package sensor

import "diastole/detect/signal"

// Checks lists the faults that can be found at a channel, given which others the pump has. Some need a waveform.
func Checks(p *Pump, c signal.Channel) []Kind {
	if !p.Channels[c] {
		return nil
	}
	air, counter := p.Channels[signal.AirInletPressure], p.Channels[signal.StrokeCount]
	var out []Kind
	add := func(possible bool, k ...Kind) {
		if possible {
			out = append(out, k...)
		}
	}
	pressure := c == signal.AirInletPressure || c == signal.DischargePressure
	add(pressure || c == signal.AirFlow, ClockBack)
	add((pressure || c == signal.AirFlow) && !p.OnChange[c], Dropout, Stuck)
	add(pressure, OutOfRange)
	add(pressure && (p.MaxAir > 0 || c == signal.AirInletPressure), WrongScale)
	add(c == signal.DischargePressure && air, Swapped)
	add(c == signal.AirInletPressure, ZeroOffset)
	add(pressure, Spikes)
	add(pressure && counter, Aliased)
	add(c == signal.DischargePressure, Clipped)
	add(c == signal.StrokeCount, ClockBack, CounterReset)
	add(c == signal.StrokeCount && (air || p.Channels[signal.DischargePressure]), CounterFrozen, CounterHalf, CounterDouble, CounterMissed, CounterExtra)
	return out
}
