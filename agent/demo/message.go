package demo

import (
	"fmt"
	"strconv"
	"time"

	"diastole/agent/config"
	"diastole/model/plant/scenario"
)

// wires are the channels of the configuration by pump and name: where their readings go and in which unit.
type wires map[[2]string]config.Channel

func newWires(cfg *config.Config) wires {
	w := wires{}
	for _, p := range cfg.Pumps {
		for _, c := range p.Channels {
			w[[2]string{p.ID, c.Channel.String()}] = c
		}
	}
	return w
}

// encode gives topic and payload of what an instrument read, as a plant's gateway writes it: a waveform, or a count and
// its time.
func (w wires) encode(m scenario.Message) (topic string, payload []byte) {
	c, known := w[[2]string{m.Pump, m.Channel}]
	if !known {
		panic(fmt.Sprintf("BUG: pump %s has an instrument for %s and no such channel", m.Pump, m.Channel))
	}
	const digits = 6
	at := m.Start.UTC().Format(time.RFC3339Nano)
	if c.Format == config.FormatJSON {
		count := strconv.FormatFloat((m.Values[0]-c.Offset)/c.Factor, 'f', 0, 64)
		return c.Topic, []byte(`{"count":` + count + `,"time":"` + at + `"}`)
	}
	payload = append(payload, `{"t":"`+at+`","dt":`...)
	payload = strconv.AppendFloat(payload, m.Step.Seconds(), 'g', -1, 64)
	payload = append(payload, `,"v":[`...)
	for i, v := range m.Values {
		if i > 0 {
			payload = append(payload, ',')
		}
		payload = strconv.AppendFloat(payload, (v-c.Offset)/c.Factor, 'g', digits, 64)
	}
	return c.Topic, append(payload, "]}"...)
}
