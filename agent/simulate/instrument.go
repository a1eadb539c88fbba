package simulate

import (
	"slices"
	"strings"

	"diastole/agent/config"
	"diastole/detect/signal"
	"diastole/model/air"
	"diastole/model/plant"
	"diastole/model/plant/scenario"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

const waveRate = 100 // readings a second of a pressure transmitter, unless told otherwise

// instruments takes what is at a pump; the noise and the range of an air meter follow from what the pump uses.
func (b builder) instruments(path string, files []fileInstrument, m pump.Model, pr plant.Process) (out []sensor.Instrument) {
	if !b.Has(path) {
		return []sensor.Instrument{
			sensor.Pressure("air_inlet_pressure", waveRate), sensor.Pressure("discharge_pressure", waveRate), sensor.Counter(),
		}
	}
	if len(files) == 0 {
		b.Fail(path, "needs at least one instrument; without the key a pump has two pressures and a counter")
	}
	for i := range files {
		child := index(path, i)
		f := &files[i]
		if f.Channel == "" {
			continue // reported as missing
		}
		if !slices.Contains(sensor.Channels(), f.Channel) {
			b.Fail(child+".channel", "%q cannot be sensed; allowed are %s", f.Channel, strings.Join(sensor.Channels(), ", "))
			continue
		}
		if slices.ContainsFunc(out, func(o sensor.Instrument) bool { return o.Channel == f.Channel }) {
			b.Fail(child+".channel", "%q stands twice at this pump", f.Channel)
			continue
		}
		o := b.instrument(child, f, m, pr)
		if err := o.Validate(); err != nil {
			b.Fail(child, "%s", inWords(err))
		}
		out = append(out, o)
	}
	return out
}

func (b builder) instrument(path string, f *fileInstrument, m pump.Model, pr plant.Process) sensor.Instrument {
	var o sensor.Instrument
	switch {
	case f.Channel == "stroke_edge":
		o = sensor.Instrument{Channel: f.Channel}
	case f.Channel == "stroke_count":
		o = sensor.Counter()
	case f.Channel == "air_flow":
		o = sensor.AirMeter(airUse(m, pr.Setting))
	case strings.HasSuffix(f.Channel, "_pressure"):
		rate := float64(waveRate)
		if f.Rate != nil && *f.Rate > 0 {
			rate = *f.Rate
		}
		o = sensor.Pressure(f.Channel, rate)
	default:
		o = sensor.Instrument{Channel: f.Channel, Rate: 1}
	}
	if f.Rate != nil {
		o.Rate = *f.Rate
		if o.Block > 1 {
			o.Block = max(1, int(o.Rate))
		}
	}
	if f.Block != nil {
		o.Block = int(b.within(path+".block", float64(*f.Block), 1, 10000))
	}
	if f.Cutoff != nil {
		o.Cutoff = *f.Cutoff
	}
	b.span(path+".noise", f.Channel, f.Noise, &o.Noise)
	b.span(path+".resolution", f.Channel, f.Resolution, &o.Resolution)
	b.span(path+".offset", f.Channel, f.Offset, &o.Offset)
	b.span(path+".deadband", f.Channel, f.Deadband, &o.Deadband)
	if o.Deadband > 0 && f.Block == nil {
		o.Block = 1
	}
	counts := f.Channel == "stroke_count"
	for _, key := range []string{"wraps_at", "per_cycle", "float32"} {
		if b.Has(path+"."+key) && !counts && (key != "per_cycle" || f.Channel != "stroke_edge") {
			b.Fail(path+"."+key, "is for stroke_count only")
		}
	}
	if b.Has(path + ".wraps_at") {
		o.WrapsAt = int64(b.within(path+".wraps_at", float64(f.WrapsAt), 2, 1<<53))
	}
	o.PerCycle, o.Float32 = f.PerCycle, f.Float32
	return o
}

// airUse is about the air that a pump takes at half of its highest rate, m3/s: 1.3 times the swept volume at inlet pressure.
func airUse(m pump.Model, gauge float64) float64 {
	return air.FreeAir(1.3*m.StrokeVolume*m.MaxCycleRate, max(gauge, 1e5), air.Atmosphere)
}

// span sets dst where a difference in the unit of a channel is given.
func (b builder) span(path, channel string, text spanText, dst *float64) {
	if text == "" {
		return
	}
	c, err := signal.ParseChannel(channel)
	if err == nil {
		*dst, err = config.ParseSpan(c, string(text))
	}
	if err != nil {
		b.Fail(path, "%v", err)
	}
}

func (b builder) link(path string, f *fileLink) sensor.Link {
	l := sensor.Link{
		Delay: b.duration(path+".delay", f.Delay), Spread: b.duration(path+".spread", f.Spread),
		Lost: b.within(path+".lost", f.Lost, 0, 1), Doubled: b.within(path+".doubled", f.Doubled, 0, 1),
		Late: b.within(path+".late", f.Late, 0, 1), Lateness: b.duration(path+".lateness", f.Lateness),
	}
	if l.Late > 0 && l.Lateness == 0 {
		b.Fail(path+".lateness", "must be above zero beside late")
	}
	return l
}

// changes takes one entry of a plan: a change per quantity, a trouble, or a rebuild.
func (b builder) changes(path string, f *fileChange, pr plant.Process) (out []scenario.Change) {
	at := b.duration(path+".at", f.At)
	over := b.duration(path+".over", f.Over)
	kinds := 0
	for _, given := range []bool{f.Set != nil, f.Channel != "", f.Rebuild} {
		if given {
			kinds++
		}
	}
	if kinds != 1 {
		b.Fail(path, "has %d of set, channel and rebuild; it needs exactly one", kinds)
		return nil
	}
	if f.Over != "" && f.Set == nil {
		b.Fail(path+".over", "is for set only")
	}
	if (f.Trouble != nil) != (f.Channel != "") {
		b.Fail(path+".channel", "and trouble belong together")
		return nil
	}
	switch {
	case f.Set != nil:
		for _, q := range b.process(path+".set", f.Set, &pr) {
			out = append(out, scenario.Change{At: at, Quantity: q.Quantity, Value: q.Value, Over: over})
		}
	case f.Rebuild:
		out = append(out, scenario.Change{At: at, Rebuild: true})
	case !slices.Contains(sensor.Channels(), f.Channel):
		b.Fail(path+".channel", "%q cannot be sensed; allowed are %s", f.Channel, strings.Join(sensor.Channels(), ", "))
	default:
		out = append(out, scenario.Change{At: at, Channel: f.Channel, Trouble: b.trouble(path+".trouble", f)})
	}
	return out
}

func (b builder) trouble(path string, f *fileChange) sensor.Trouble {
	t := sensor.Trouble{
		Stuck: f.Trouble.Stuck, Reset: f.Trouble.Reset,
		Silent: b.within(path+".silent", f.Trouble.Silent, 0, 1),
		Spikes: b.within(path+".spikes_per_second", f.Trouble.Spikes, 0, 1000),
		Missed: b.within(path+".missed", f.Trouble.Missed, 0, 1), Chatter: b.within(path+".chatter", f.Trouble.Chatter, 0, 1),
	}
	b.span(path+".offset", f.Channel, f.Trouble.Offset, &t.Offset)
	b.span(path+".spike_size", f.Channel, f.Trouble.SpikeSize, &t.SpikeSize)
	return t
}
