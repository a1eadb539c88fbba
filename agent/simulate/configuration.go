package simulate

import (
	"bytes"
	"fmt"
	"io"

	"diastole/model/plant/scenario"
	"diastole/model/plant/sensor"
)

// WriteConfiguration writes a configuration with which `diastole replay` reads the recording at once, and
// `diastole run` watches it at a broker.
func (p *Plan) WriteConfiguration(w io.Writer) error {
	var b bytes.Buffer
	b.WriteString("# Made by `diastole simulate`: the pumps are simulated.\n")
	g := p.gateway()
	fmt.Fprintf(&b, "site: %q\nmqtt:\n  broker: mqtt://127.0.0.1:1883\npumps:\n", p.Site)
	for i := range p.Scenario.Pumps {
		pump := &p.Scenario.Pumps[i]
		fmt.Fprintf(&b, "  - id: %q\n    model: %s\n    learn: %v\n    condition_at_start: used\n    channels:\n", pump.ID, pump.Model, p.Learn)
		for _, i := range pump.Instruments {
			b.WriteString(channel(g, pump, i))
		}
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("write the configuration: %w", err)
	}
	return nil
}

func channel(g gateway, pump *scenario.Pump, i sensor.Instrument) string {
	line := fmt.Sprintf("%s: {%s", i.Channel, g.channel(pump.ID, i))
	if i.PerCycle {
		line += ", counts: cycle"
	}
	if i.Deadband > 0 {
		line += fmt.Sprintf(", report: on-change, deadband: %.6g", i.Deadband*wireOf(i.Channel).factor)
	}
	if i.Channel == "side_signal" {
		line += ", side: left" // the simulated pump does not know how it stands: left is the chamber that it fills first
	}
	if i.WrapsAt > 0 {
		line += fmt.Sprintf(", wraps_at: %d", i.WrapsAt)
	}
	return "      " + line + "}\n"
}
