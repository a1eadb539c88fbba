package config

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"diastole/detect/signal"
)

// The words that a channel's keys take.
var (
	formats    = formatNames()
	timeUnits  = []string{"s", "ms", "us", "ns"}
	countables = []string{"stroke", "cycle"}
)

func formatNames() []string {
	var names []string
	for _, f := range Formats() {
		names = append(names, string(f))
	}
	return names
}

func (b *builder) channels(path string, files fileChannels) []Channel {
	if len(files) == 0 && b.doc.has(path) {
		b.doc.fail(path, "needs at least one channel; allowed are %s", strings.Join(signal.ChannelNames(), ", "))
	}
	var channels []Channel
	for _, name := range b.inFileOrder(path, files) {
		child := join(path, name)
		c, err := signal.ParseChannel(name)
		if err != nil {
			b.doc.fail(child, "%s", notAllowed("channel", name, signal.ChannelNames()))
			continue
		}
		channels = append(channels, b.channel(child, c, quantityOf(c), files[name]))
	}
	slices.SortFunc(channels, func(x, y Channel) int { return cmp.Compare(x.Channel, y.Channel) })
	return channels
}

func (b *builder) channel(path string, id signal.Channel, q quantity, f fileChannel) Channel {
	if f.Topic != "" {
		b.check(path+".topic", checkTopic(f.Topic))
	}
	c := Channel{
		Channel: id, Topic: f.Topic, Format: Format(cmp.Or(f.Format, formats[0])),
		Time: f.Time, TimeUnit: f.TimeUnit, Name: f.Name, Unit: f.Unit, Shared: f.Shared,
	}
	if f.Value != nil {
		c.Value = string(*f.Value)
	}
	b.format(path, f, c)
	b.selector(path, f, &c)
	b.counted(path, id, f)
	b.only(path, id)
	toSI, unit := b.toSI(path, q, f)
	if id == signal.AirFlow {
		toSI = line{b.reference(path, f), 0}.after(toSI)
	} else if f.Reference != "" {
		b.doc.fail(path+".reference", "is for air_flow only")
	}
	if b.isCurrent(q, f) {
		c.RawMin, c.RawMax = faultLow, faultHigh
	}
	if id == signal.LiquidInAir && f.WetValue != nil {
		toSI = b.wet(path, *f.WetValue).after(toSI)
	}
	c.Factor, c.Offset = toSI.factor, toSI.offset
	b.report(path, f, unit, &c)
	b.meaning(path, f, &c)
	return c
}

// format checks the format and the keys that belong to one.
func (b *builder) format(path string, f fileChannel, c Channel) {
	if !slices.Contains(formats, string(c.Format)) {
		b.doc.fail(path+".format", "%s", notAllowed("format", f.Format, formats))
		return
	}
	if allowed := formatsOf(c.Channel); !slices.Contains(allowed, c.Format) {
		b.doc.fail(path+".format", "%s cannot come as %s; allowed are %s", c.Channel, c.Format, joinFormats(allowed))
	}
	if c.Format != FormatJSON {
		for _, key := range []string{"value", "time", "time_unit"} {
			if b.doc.has(join(path, key)) {
				b.doc.fail(join(path, key), "is for format: json; this channel's format is %s", c.Format)
			}
		}
		return
	}
	if !b.doc.has(path + ".value") {
		b.doc.fail(path+".value", "is missing; format: json needs the RFC 6901 pointer to the number, such as /value")
	}
	b.check(path+".value", checkPointer(c.Value))
	b.check(path+".time", checkPointer(f.Time))
	if f.TimeUnit != "" {
		b.oneOf(path+".time_unit", f.TimeUnit, timeUnits)
		if !b.doc.has(path + ".time") {
			b.doc.fail(path+".time_unit", "has no effect without time, the pointer to the time")
		}
	}
}

// counted checks the keys that only a counter has.
func (b *builder) counted(path string, id signal.Channel, f fileChannel) {
	if f.Counts != "" && (id == signal.StrokeCount || id == signal.StrokeEdge) {
		b.oneOf(path+".counts", f.Counts, countables)
	}
	if id != signal.StrokeCount {
		return
	}
	if f.WrapsAt != nil && *f.WrapsAt < 2 {
		b.doc.fail(path+".wraps_at", "is %d; it must be at least 2, such as 65536", *f.WrapsAt)
	}
	if f.Scale != nil {
		b.doc.fail(path+".scale", "would change the counts; a counter has counts: stroke or counts: cycle instead")
	}
}

// toSI is the line from the raw number to SI: the scale, then the unit, which is also given alone.
func (b *builder) toSI(path string, q quantity, f fileChannel) (toSI, alone line) {
	if len(q.units) == 0 {
		for _, key := range []string{"unit", "scale"} {
			if b.doc.has(join(path, key)) {
				b.doc.fail(join(path, key), "has no meaning here: a %s has none", q.name)
			}
		}
		return line{1, 0}, line{1, 0}
	}
	raw := b.scale(path+".scale", f.Scale)
	code, unitPath := f.Unit, path+".unit"
	switch {
	case f.Unit == currentLoop && q.current:
		if !b.doc.has(path + ".scale") {
			b.doc.fail(unitPath, "is a raw current, mA; it needs a scale, such as scale: {from: [4, 20], to: [LOW, HIGH], unit: %s}", q.units[0].code)
			return raw, line{1, 0}
		}
		if f.Scale == nil {
			return raw, line{1, 0}
		}
		code, unitPath = f.Scale.Unit, path+".scale.unit"
		q.current = false // what the current means is no current
	case f.Scale != nil && f.Scale.Unit != "":
		b.doc.fail(path+".scale.unit", "is for unit: mA only; the unit of to is the channel's unit")
	}
	if code == "" {
		if q.name != dimensionless.name && !b.doc.has(unitPath) {
			b.doc.fail(unitPath, "is missing; a %s takes %s", q.name, q.allowed())
		}
		return raw, line{1, 0}
	}
	unit, err := q.parse(code)
	b.check(unitPath, err)
	return unit.after(raw), unit
}

// scale is the line through the two points of a scale, that of identity where there is none.
func (b *builder) scale(path string, s *fileScale) line {
	identity := line{1, 0}
	if s == nil {
		return identity
	}
	for _, side := range []struct {
		key    string
		values []float64
	}{{"from", s.From}, {"to", s.To}} {
		child := join(path, side.key)
		switch {
		case !b.doc.has(child):
		case len(side.values) != 2:
			b.doc.fail(child, "must be two numbers, such as [4, 20]; here are %d", len(side.values))
		case side.values[0] == side.values[1]:
			b.doc.fail(child, "has the same number twice; two different ones make a scale")
		}
	}
	if b.doc.bad[path+".from"] || b.doc.bad[path+".to"] || len(s.From) != 2 || len(s.To) != 2 {
		return identity
	}
	l := line{factor: (s.To[1] - s.To[0]) / (s.From[1] - s.From[0])}
	l.offset = s.To[0] - l.factor*s.From[0]
	if !usable(l) {
		b.doc.fail(path, "makes no usable line: a step of 1 in from is %v in to", l.factor)
		return identity
	}
	return l
}

// usable is a line that neither loses its input nor leaves the numbers a sensor can mean: 1e100 is far
// beyond any of them, and keeps products of such lines finite.
func usable(l line) bool {
	f, o := math.Abs(l.factor), math.Abs(l.offset)
	return f > 1e-100 && f < 1e100 && o < 1e100
}

// isCurrent reports whether the raw number is a current in mA, which tells a failed transmitter: the
// unit says so, or the scale is that of the standard signal, 4 to 20 mA (IEC 60381-1).
func (b *builder) isCurrent(q quantity, f fileChannel) bool {
	return q.current && (f.Unit == currentLoop || f.Scale != nil && slices.Equal(f.Scale.From, []float64{4, 20}))
}

// reference is the factor from the stated atmosphere to ANR.
func (b *builder) reference(path string, f fileChannel) float64 {
	factor, err := toANR(cmp.Or(f.Reference, atmospheres[0].code))
	b.check(path+".reference", err)
	return factor
}
