package main

import (
	"fmt"
	"strings"

	"diastole/agent/config"
	"diastole/detect/signal"
	"diastole/model/pump"
)

// stateSights says of the causes that are seen as a state of the pump, within seconds, whether the channels show them.
func stateSights(p *config.Pump) [][3]string {
	has := p.Settings.Channels
	words := "can be shown, within seconds"
	if missing := missingOf(has, signal.AirInletPressure, signal.DischargePressure); missing != "" {
		words = "cannot be shown without " + missing
	}
	stroking := words
	if words[:3] == "can" && p.Settings.AirBeforeValve && !has[signal.AirValveOpen] {
		stroking = "cannot be shown without air_valve_open: the pressure is taken before the shut-off valve, and stands while the pump has no air"
	}
	probe := "can be shown, within seconds"
	if missing := missingOf(has, signal.LiquidInAir); missing != "" {
		probe = "cannot be shown without " + missing
	}
	return [][3]string{
		{"state", string(pump.DryRunning), words},
		{"state", string(pump.NotStroking), stroking},
		{"state", string(pump.LiquidInAir), probe},
	}
}

func missingOf(has [signal.NumChannels]bool, wanted ...signal.Channel) string {
	var names []string
	for _, c := range wanted {
		if !has[c] {
			names = append(names, c.String())
		}
	}
	return strings.Join(names, " and ")
}

// notes say what else follows from how a pump's channels are read.
func notes(p *config.Pump) []string {
	out := []string{sideNote(p)}
	for i := range p.Channels {
		c := &p.Channels[i]
		switch {
		case c.OnChange && c.Deadband > 0:
			out = append(out, fmt.Sprintf("%s is sent on change: what moves it by less than %.4g %s is not seen", c.Channel, c.Deadband, c.Channel.Unit()))
		case c.OnChange:
			out = append(out, fmt.Sprintf("%s is sent on change: silence is no staleness", c.Channel))
		}
		if c.Format == config.FormatNumber || c.Format == config.FormatJSON && c.Time == "" {
			out = append(out, fmt.Sprintf("%s has the time of its arrival: delays of the network are in it, and retained messages are passed over", c.Channel))
		}
		if c.RawMin != 0 || c.RawMax != 0 {
			out = append(out, fmt.Sprintf("%s outside %g to %g mA is a fault of the transmitter", c.Channel, c.RawMin, c.RawMax))
		}
		if c.Format == config.FormatSparkplugB {
			out = append(out, fmt.Sprintf("%s is believed from the birth of its edge node on, which the agent asks for by Node Control/Rebirth", c.Channel))
		}
		if c.Shared {
			out = append(out, fmt.Sprintf("%s is shared with other channels: what it shows is no property of this pump alone", c.Channel))
		}
	}
	if p.Settings.Solenoid {
		out = append(out, "a solenoid drives it: there is no pilot valve to wear, and the controller sets the stroke rate")
	}
	if p.Damper {
		out = append(out, "a damper stands in the discharge: ripple is small, and shows less")
	}
	if p.Settings.Channels[signal.ServiceState] {
		out = append(out, "nothing is learned or judged while service_state is clean, purge or out")
	}
	return out
}

// sideNote says how stroke A and stroke B are told apart.
func sideNote(p *config.Pump) string {
	has := p.Settings.Channels
	switch {
	case has[signal.SideSignal]:
		return "side_signal tells which chamber discharges"
	case has[signal.StrokeCount] && !p.Settings.Counter.PerCycle:
		return "the stroke counter tells stroke A from B; which of them is left is not known: a ticket says to open both sides"
	}
	return "nothing tells stroke A from B over a gap: a ticket says to open both sides"
}
