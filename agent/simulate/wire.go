package simulate

import (
	"strconv"
	"strings"
	"time"

	"diastole/agent/intake"
	"diastole/model/air"
	"diastole/model/plant/scenario"
	"diastole/model/plant/sensor"
)

// wire is how the readings of a channel travel: the unit, what makes it of SI, and its decimals.
type wire struct {
	unit           string
	factor, offset float64
	decimals       int
}

func wireOf(channel string) wire {
	switch {
	case strings.HasSuffix(channel, "_pressure"):
		return wire{"bar", 1e-5, 0, 4}
	case strings.HasSuffix(channel, "_flow"):
		return wire{"L/min", 6e4, 0, 4}
	case strings.HasSuffix(channel, "_temperature"):
		return wire{"Cel", 1, -(air.Normal.Temperature), 2}
	}
	return wire{"", 1, 0, 0}
}

// The formats of payloads.
const (
	formatWaveform = "waveform"
	formatJSON     = "json"
	formatEdges    = "edges"
)

// formatOf is how an instrument's messages are written: blocks as waveforms, single readings with their time.
func formatOf(i sensor.Instrument) string {
	switch {
	case i.Channel == "stroke_edge":
		return formatEdges
	case i.Block > 1:
		return formatWaveform
	}
	return formatJSON
}

func topic(site, pump, channel string) string {
	return site + "/" + pump + "/" + strings.ReplaceAll(channel, "_", "-")
}

// encode is a message as a gateway would publish it. Times of arrival are whole milliseconds.
func encode(site string, m scenario.Message, format string, w wire) intake.Message {
	t := m.Start.UTC().Format(time.RFC3339Nano)
	var b []byte
	switch format {
	case formatEdges:
		b = append(b, `{"t":["`+t+`"]}`...)
	case formatJSON:
		b = append(b, `{"time":"`+t+`","value":`...)
		b = append(w.append(b, m.Values[0]), '}')
	default:
		b = append(b, `{"t":"`+t+`","dt":`...)
		b = strconv.AppendFloat(b, m.Step.Seconds(), 'g', -1, 64)
		b = append(b, `,"v":[`...)
		for i, v := range m.Values {
			if i > 0 {
				b = append(b, ',')
			}
			b = w.append(b, v)
		}
		b = append(b, "]}"...)
	}
	return intake.Message{Arrival: m.Arrival.UTC().Round(time.Millisecond), Topic: topic(site, m.Pump, m.Channel), Payload: b}
}

func (w wire) append(b []byte, si float64) []byte {
	return strconv.AppendFloat(b, si*w.factor+w.offset, 'f', w.decimals, 64)
}
