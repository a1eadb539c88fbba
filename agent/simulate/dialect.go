package simulate

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/fxamacker/cbor/v2"

	"diastole/agent/intake"
	"diastole/agent/intake/sparkplug"
	"diastole/model/plant/scenario"
	"diastole/model/plant/sensor"
)

// The dialects in which a simulated plant can publish; the first is the default.
const (
	dialectTopics    = "topics"       // a topic per channel: waveforms, readings in JSON, edges
	dialectCurrent   = "current-loop" // the same, pressures as mA of a transmitter of 0 to 10 bar
	dialectPLC       = "plc"          // one JSON per pump with all readings and their times; waveforms as in topics
	dialectSenML     = "senml"        // RFC 8428 in JSON, a topic per pump
	dialectSenMLCBOR = "senml-cbor"   // the same in CBOR
	dialectSparkplug = "sparkplug-b"  // an edge node per site, a device per pump, aliases and arrays
)

var dialects = []string{dialectTopics, dialectCurrent, dialectPLC, dialectSenML, dialectSenMLCBOR, dialectSparkplug}

// gateway writes what instruments read as a plant publishes it.
type gateway interface {
	// encode gives the messages that one block of readings becomes; a birth may come before.
	encode(m scenario.Message, format string) []intake.Message
	// channel is the entry of a channel in the configuration that reads them.
	channel(pump string, i sensor.Instrument) string
}

func (p *Plan) gateway() gateway {
	switch p.Dialect {
	case dialectCurrent:
		return topics{site: p.Site, current: true}
	case dialectPLC:
		return plc{topics{site: p.Site}, map[string]map[string]tag{}}
	case dialectSenML, dialectSenMLCBOR:
		return senml{site: p.Site, binary: p.Dialect == dialectSenMLCBOR}
	case dialectSparkplug:
		return newNode(p)
	}
	return topics{site: p.Site}
}

func at(m scenario.Message) time.Time { return m.Arrival.UTC().Round(time.Millisecond) }

// topics is the dialect of a topic per channel.
type topics struct {
	site    string
	current bool
}

func (g topics) wire(channel string) wire {
	if g.current && strings.HasSuffix(channel, "_pressure") {
		return wire{"mA", 16 / 10e5, 4, 4} // 4 mA at 0, 20 mA at 10 bar
	}
	return wireOf(channel)
}

func (g topics) encode(m scenario.Message, format string) []intake.Message {
	return []intake.Message{encode(g.site, m, format, g.wire(m.Channel))}
}

func (g topics) channel(pump string, i sensor.Instrument) string {
	format := formatOf(i)
	line := fmt.Sprintf("topic: %q, format: %s", topic(g.site, pump, i.Channel), format)
	if format == formatJSON {
		line += ", value: /value, time: /time"
	}
	w := g.wire(i.Channel)
	if w.unit == "mA" {
		return line + ", unit: mA, scale: {from: [4, 20], to: [0, 10], unit: bar}"
	}
	return line + unitOf(w)
}

func unitOf(w wire) string {
	if w.unit == "" {
		return ""
	}
	return ", unit: " + w.unit
}

// plc is the dialect of one JSON per controller, which repeats the newest reading of everything.
type plc struct {
	topics
	tags map[string]map[string]tag
}

type tag struct {
	Value json.Number `json:"v"`
	Time  string      `json:"t"`
}

func (g plc) encode(m scenario.Message, format string) []intake.Message {
	if format != formatJSON {
		return g.topics.encode(m, format)
	}
	if g.tags[m.Pump] == nil {
		g.tags[m.Pump] = map[string]tag{}
	}
	value := json.Number(wireOf(m.Channel).append(nil, m.Values[0]))
	g.tags[m.Pump][m.Channel] = tag{value, m.Start.UTC().Format(time.RFC3339Nano)}
	b, err := json.Marshal(map[string]any{"plc": "PLC-" + m.Pump, "tags": g.tags[m.Pump]})
	if err != nil {
		panic("BUG: " + err.Error()) // numbers and times
	}
	return []intake.Message{{Arrival: at(m), Topic: g.site + "/" + m.Pump + "/plc", Payload: b}}
}

func (g plc) channel(pump string, i sensor.Instrument) string {
	if formatOf(i) != formatJSON {
		return g.topics.channel(pump, i)
	}
	return fmt.Sprintf("topic: %q, format: json, value: /tags/%s/v, time: /tags/%s/t", g.site+"/"+pump+"/plc", i.Channel, i.Channel) +
		unitOf(wireOf(i.Channel))
}

// senml is the dialect of RFC 8428.
type senml struct {
	site   string
	binary bool
}

// record has the names of JSON; in CBOR, numbers stand for them (RFC 8428, section 6).
type record struct {
	BaseName string      `json:"bn,omitempty" cbor:"-2,keyasint,omitempty"`
	BaseTime json.Number `json:"bt,omitempty" cbor:"-"`
	BaseNum  float64     `json:"-" cbor:"-3,keyasint,omitempty"`
	Name     string      `json:"n" cbor:"0,keyasint"`
	Time     float64     `json:"t,omitempty" cbor:"6,keyasint,omitempty"`
	Value    json.Number `json:"v" cbor:"-"`
	Num      float64     `json:"-" cbor:"2,keyasint"`
}

func (g senml) encode(m scenario.Message, _ string) []intake.Message {
	w := wireOf(m.Channel)
	pack := make([]record, len(m.Values))
	for i, v := range m.Values {
		x := w.append(nil, v)
		if m.Channel == "stroke_edge" {
			x = []byte("1")
		}
		f, err := strconv.ParseFloat(string(x), 64)
		if err != nil {
			panic("BUG: " + err.Error())
		}
		pack[i] = record{Name: m.Channel, Time: math.Round(float64(i)*float64(m.Step)) / 1e9, Value: json.Number(x), Num: f}
	}
	pack[0].BaseName = m.Pump + ":"
	pack[0].BaseTime = json.Number(fmt.Sprintf("%d.%09d", m.Start.Unix(), m.Start.Nanosecond()))
	pack[0].BaseNum = float64(m.Start.UnixMicro()) / 1e6
	write := json.Marshal
	if g.binary {
		write = cbor.Marshal
	}
	b, err := write(pack)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	return []intake.Message{{Arrival: at(m), Topic: g.site + "/" + m.Pump + "/senml", Payload: b}}
}

func (g senml) channel(pump string, i sensor.Instrument) string {
	return fmt.Sprintf("topic: %q, format: senml, name: %q", g.site+"/"+pump+"/senml", pump+":"+i.Channel) + unitOf(wireOf(i.Channel))
}

// node is the dialect of Sparkplug: the site's one edge node, whose messages are numbered over all pumps.
type node struct {
	site    string
	aliases map[[2]string]uint64
	births  []scenario.Pump
	seq     uint64
}

func newNode(p *Plan) *node {
	n := &node{site: p.Site, aliases: map[[2]string]uint64{}, births: p.Scenario.Pumps}
	for _, pump := range p.Scenario.Pumps {
		for _, i := range pump.Instruments {
			n.aliases[[2]string{pump.ID, i.Channel}] = uint64(len(n.aliases) + 1)
		}
	}
	return n
}

func (n *node) topic(kind sparkplug.Type, device string) string {
	return sparkplug.Topic{Group: n.site, Type: kind, Node: "gateway", Device: device}.String()
}

func (n *node) encode(m scenario.Message, _ string) []intake.Message {
	var out []intake.Message
	send := func(kind sparkplug.Type, device string, metrics []sparkplug.Metric) {
		p := sparkplug.Payload{Timestamp: uint64(m.Arrival.UnixMilli()), HasTimestamp: true, Seq: n.seq % 256, HasSeq: true, Metrics: metrics} // #nosec G115 -- after 1970
		n.seq++
		out = append(out, intake.Message{Arrival: at(m), Topic: n.topic(kind, device), Payload: p.Encode()})
	}
	for i, pump := range n.births {
		if i == 0 {
			send(sparkplug.NodeBirth, "", []sparkplug.Metric{
				sparkplug.NewMetric("bdSeq", sparkplug.Int64, m.Start, 0), sparkplug.NewMetric(sparkplug.Rebirth, sparkplug.Boolean, m.Start, 0),
			})
		}
		var metrics []sparkplug.Metric
		for _, i := range pump.Instruments {
			x := metricOf(i.Channel, m.Start, 0, []float64{0})
			if i.Block > 1 {
				x = metricOf(i.Channel, m.Start, time.Second, []float64{0, 0})
			}
			x.Alias, x.HasAlias, x.Null = n.aliases[[2]string{pump.ID, i.Channel}], true, true // nothing is measured yet
			metrics = append(metrics, x)
		}
		send(sparkplug.DeviceBirth, pump.ID, metrics)
	}
	n.births = nil
	x := metricOf(m.Channel, m.Start, m.Step, m.Values)
	x.Alias, x.HasAlias = n.aliases[[2]string{m.Pump, m.Channel}], true
	x.Name, x.HasName, x.Type = "", false, sparkplug.Unknown
	send(sparkplug.DeviceData, m.Pump, []sparkplug.Metric{x})
	return out
}

// metricOf is the metric of a channel: an array for a block of readings, an integer for a count, a truth value for a bit.
func metricOf(channel string, start time.Time, step time.Duration, si []float64) sparkplug.Metric {
	w := wireOf(channel)
	values := make([]float64, len(si))
	for i, v := range si {
		values[i] = v*w.factor + w.offset
	}
	switch {
	case channel == "stroke_edge":
		return sparkplug.NewMetric(channel, sparkplug.Boolean, start, 1)
	case len(values) > 1:
		return sparkplug.NewArray(channel, sparkplug.FloatArray, start, step, values)
	case channel == "stroke_count":
		return sparkplug.NewMetric(channel, sparkplug.Int64, start, values[0])
	case w.unit == "":
		return sparkplug.NewMetric(channel, sparkplug.Boolean, start, values[0])
	}
	return sparkplug.NewMetric(channel, sparkplug.Double, start, values[0])
}

func (n *node) channel(pump string, i sensor.Instrument) string {
	return fmt.Sprintf("topic: %q, format: sparkplug-b, name: %q", n.topic(sparkplug.DeviceData, pump), i.Channel) + unitOf(wireOf(i.Channel))
}
