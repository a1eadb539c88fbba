package config

import (
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"diastole/agent/intake/sparkplug"
	"diastole/detect/signal"
)

// The words of keys that few channels have; the first is the default, where there is one.
var (
	reports = []string{"always", "on-change"}
	sides   = []string{"left", "right"}
	taps    = []string{"after-valve", "before-valve"}
)

// keysOf are the keys that only some channels have.
var keysOf = []struct {
	key      string
	channels []signal.Channel
}{
	{"counts", []signal.Channel{signal.StrokeCount, signal.StrokeEdge}},
	{"wraps_at", []signal.Channel{signal.StrokeCount}},
	{"wet_value", []signal.Channel{signal.LiquidInAir}},
	{"side", []signal.Channel{signal.SideSignal}},
	{"tap", []signal.Channel{signal.AirInletPressure}},
	{"states", []signal.Channel{signal.ServiceState}},
}

// only reports a key that the channel does not have.
func (b *builder) only(path string, id signal.Channel) {
	for _, k := range keysOf {
		if !b.doc.has(join(path, k.key)) || slices.Contains(k.channels, id) {
			continue
		}
		names := make([]string, len(k.channels))
		for i, c := range k.channels {
			names[i] = c.String()
		}
		b.doc.fail(join(path, k.key), "is for %s only", strings.Join(names, " and "))
	}
}

// formatsOf are the formats that can carry a channel: a switch needs a time of each closing, and a state is no waveform.
func formatsOf(c signal.Channel) []Format {
	switch c {
	case signal.StrokeEdge:
		return []Format{FormatEdges, FormatJSON, FormatSenML, FormatSparkplugB}
	case signal.ServiceState:
		return []Format{FormatNumber, FormatJSON, FormatSenML, FormatSparkplugB}
	}
	return []Format{FormatNumber, FormatJSON, FormatWaveform, FormatSenML, FormatSparkplugB}
}

func joinFormats(formats []Format) string {
	names := make([]string, len(formats))
	for i, f := range formats {
		names[i] = string(f)
	}
	return strings.Join(names, ", ")
}

// selector checks the keys that find a channel in a pack or among metrics.
func (b *builder) selector(path string, f fileChannel, c *Channel) {
	named := c.Format == FormatSenML || c.Format == FormatSparkplugB
	switch {
	case b.doc.bad[path+".format"]:
	case named && !b.doc.has(path+".name"):
		b.doc.fail(path+".name", "is missing; format: %s needs the name of the record or metric", c.Format)
	case !named && b.doc.has(path+".name"):
		b.doc.fail(path+".name", "is for format: senml and sparkplug-b; this channel's format is %s", c.Format)
	}
	if c.Channel == signal.StrokeEdge && c.Format == FormatJSON && !b.doc.has(path+".time") {
		b.doc.fail(path+".time", "is missing; stroke_edge is the moment of a closing, and the arrival of a message is not that moment")
	}
	if c.Format == FormatSparkplugB && f.Topic != "" && !b.doc.bad[path+".topic"] {
		b.sparkplugTopic(path+".topic", f.Topic)
	}
	if f.DT == nil {
		return
	}
	if c.Format != FormatSparkplugB {
		b.doc.fail(path+".dt", "is for format: sparkplug-b; this channel's format is %s", c.Format)
	}
	const shortest, longest = 1e-6, 3600
	if !(*f.DT >= shortest && *f.DT <= longest) {
		b.doc.fail(path+".dt", "is %v s; allowed are %v to %v s", *f.DT, shortest, longest)
		return
	}
	c.Spacing = time.Duration(math.Round(*f.DT * 1e9))
}

func (b *builder) sparkplugTopic(path, text string) {
	t, err := sparkplug.ParseTopic(text)
	switch {
	case err != nil:
		b.doc.fail(path, "%v; write spBv1.0/GROUP/DDATA/NODE/DEVICE, or spBv1.0/GROUP/NDATA/NODE", err)
	case t.Type != sparkplug.DeviceData && t.Type != sparkplug.NodeData:
		b.doc.fail(path, "%s is no topic of data; write spBv1.0/GROUP/DDATA/NODE/DEVICE, or spBv1.0/GROUP/NDATA/NODE: births and deaths are followed too", t.Type)
	}
}

// report reads when values are sent. The deadband is a difference in the channel's unit.
func (b *builder) report(path string, f fileChannel, unit line, c *Channel) {
	if f.Report != "" {
		b.oneOf(path+".report", f.Report, reports)
	}
	c.OnChange = f.Report == reports[1]
	if c.OnChange && (c.Format == FormatWaveform || c.Format == FormatEdges) {
		b.doc.fail(path+".report", "on-change is for single values; this channel's format is %s", c.Format)
	}
	if f.Deadband == nil {
		return
	}
	switch {
	case !c.OnChange:
		b.doc.fail(path+".deadband", "has no effect without report: on-change")
	case !(*f.Deadband >= 0):
		b.doc.fail(path+".deadband", "is %v; it must be 0 or more", *f.Deadband)
	}
	c.Deadband = math.Abs(unit.factor) * *f.Deadband
}

// wet is the line that makes 1 of what a probe reads when it is wet.
func (b *builder) wet(path string, value int64) line {
	switch value {
	case 0:
		return line{-1, 1}
	case 1:
		return line{1, 0}
	}
	b.doc.fail(path+".wet_value", "is %d; allowed are 0 and 1", value)
	return line{1, 0}
}

// meaning reads the keys that say what a value of one kind of channel means.
func (b *builder) meaning(path string, f fileChannel, c *Channel) {
	switch c.Channel {
	case signal.SideSignal:
		if !b.doc.has(path + ".side") {
			b.doc.fail(path+".side", "is missing; say which chamber discharges while the signal is 1: left or right")
		}
		if f.Side != "" {
			b.oneOf(path+".side", f.Side, sides)
		}
		c.Side = f.Side
	case signal.AirInletPressure:
		if f.Tap != "" {
			b.oneOf(path+".tap", f.Tap, taps)
		}
		c.BeforeValve = f.Tap == taps[1]
	case signal.ServiceState:
		c.States = b.states(path+".states", f.States)
	}
}

func (b *builder) states(path string, f fileStates) map[string]signal.Service {
	if len(f) == 0 {
		b.doc.fail(path, "is missing or empty; it says what each text or number means, such as {CIP: clean, PRODUCTION: run}")
		return nil
	}
	states := make(map[string]signal.Service, len(f))
	for _, text := range slices.Sorted(maps.Keys(f)) {
		s, err := signal.ParseService(f[text])
		if err != nil {
			b.doc.fail(join(path, text), "%s", notAllowed("state", f[text], signal.ServiceNames()))
			continue
		}
		states[text] = s
	}
	return states
}
