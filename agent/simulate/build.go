package simulate

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"diastole/agent/config"
	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/plant/scenario"
	"diastole/model/pump"
)

const (
	defaultModel   = "generic-one-inch"
	defaultStrokes = 1e6 // far beyond bedding in
)

// builder makes a scenario of a decoded file and tells what is wrong with it.
type builder struct {
	*config.Strict
}

func (b builder) scenario(f *file) scenario.Scenario {
	b.name("site", f.Site)
	s := scenario.Scenario{Seed: uint64(f.Seed), Length: b.duration("length", f.Length)} // #nosec G115 -- any seed will do
	if f.Start != "" {
		var err error
		if s.Start, err = time.Parse(time.RFC3339, f.Start); err != nil {
			b.Fail("start", "%q is not a time in RFC 3339, such as 2026-03-09T10:00:00Z", f.Start)
		}
		s.Start = s.Start.UTC()
	}
	if f.Length != "" && s.Length == 0 {
		b.Fail("length", "must be above zero")
	}
	if d := b.duration("learn", f.Learn); f.Learn != "" && d <= 0 {
		b.Fail("learn", "must be above zero")
	}
	if f.Bursts != nil {
		s.Bursts = scenario.Bursts{Every: b.duration("bursts.every", f.Bursts.Every), Length: b.duration("bursts.length", f.Bursts.Length)}
		if s.Bursts.Length <= 0 || s.Bursts.Every < s.Bursts.Length {
			b.Fail("bursts", "need a length above zero and no more than every")
		}
	}
	if f.Header != nil {
		s.Header = b.header("header", f.Header)
	}
	if f.Manifold != nil {
		s.Manifold = plant.Manifold{
			Static:     b.pressure("manifold.static", f.Manifold.Static),
			Resistance: b.within("manifold.resistance_pa_s2_per_m6", f.Manifold.Resistance, 0, 1e15),
			Compliance: b.within("manifold.compliance_m3_per_pa", f.Manifold.Compliance, 0, 1),
		}
		if f.Manifold.Resistance == 0 {
			b.Fail("manifold.resistance_pa_s2_per_m6", "must be above zero")
		}
	}
	if len(f.Pumps) == 0 && b.Has("pumps") {
		b.Fail("pumps", "needs at least one pump")
	}
	first := map[string]int{}
	for i := range f.Pumps {
		path := index("pumps", i)
		p := &f.Pumps[i]
		if earlier, twice := first[p.ID]; twice && p.ID != "" {
			b.Fail(path+".id", "%q is already the id of pump %d", p.ID, earlier+1)
		}
		first[p.ID] = i
		s.Pumps = append(s.Pumps, b.pump(path, p))
	}
	return s
}

func (b builder) dialect(name string) string {
	if name != "" && !slices.Contains(dialects, name) {
		b.Fail("dialect", "%q is not known; allowed are %s", name, strings.Join(dialects, ", "))
	}
	return name
}

func (b builder) header(path string, f *fileHeader) plant.Header {
	h := plant.Header{
		Nominal: b.pressure(path+".pressure", f.Pressure),
		Swing:   b.pressure(path+".swing", f.Swing), SwingTime: b.duration(path+".swing_time", f.SwingTime).Seconds(),
		Dips:     b.within(path+".dips_per_hour", f.DipsPerHour, 0, 3600),
		DipDepth: b.pressure(path+".dip_depth", f.DipDepth), DipTime: b.duration(path+".dip_time", f.DipTime).Seconds(),
		Volume: b.within(path+".volume_m3", f.Volume, 0, 1e4), Loss: b.within(path+".loss_pa_s_per_kg", f.Loss, 0, 1e9),
	}
	if f.Pressure != "" {
		b.within(path+".pressure", h.Nominal, 1, 12e5)
	}
	if h.Swing > 0 && h.SwingTime == 0 {
		b.Fail(path+".swing_time", "must be above zero beside a swing")
	}
	if (h.Dips > 0) != (h.DipDepth > 0) || (h.Dips > 0) != (h.DipTime > 0) {
		b.Fail(path+".dips_per_hour", "must stand with dip_depth and dip_time, all above zero")
	}
	return h
}

func (b builder) pump(path string, f *filePump) scenario.Pump {
	if f.ID != "" {
		b.name(path+".id", f.ID)
	}
	p := scenario.Pump{
		ID: f.ID, Model: cmp.Or(f.Model, defaultModel), Scatter: 1, Used: defaultStrokes,
		Damper: b.within(path+".damper_stroke_volumes", f.Damper, 0, 1000),
	}
	if f.Scatter != nil {
		p.Scatter = b.within(path+".scatter", *f.Scatter, 0, 3)
	}
	if f.StrokesBefore != nil {
		p.Used = b.within(path+".strokes_before", *f.StrokesBefore, 0, 1e12)
	}
	m, err := pump.Generic(p.Model)
	if err != nil {
		b.Fail(path+".model", "%q is not known; allowed are %s", p.Model, strings.Join(pump.GenericNames(), ", "))
		m.Name = defaultModel // to go on with
	}
	params, err := plant.Generic(m.Name)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	process := params.Reference()
	p.Process = b.process(path+".process", &f.Process, &process)
	p.Link = b.link(path+".link", &f.Link)
	p.Instruments = b.instruments(path+".instruments", f.Instruments, m, process)
	for i := range f.Wear {
		p.Wear = append(p.Wear, b.wear(index(path+".wear", i), &f.Wear[i], params))
	}
	for i := range f.Plan {
		p.Plan = append(p.Plan, b.changes(index(path+".plan", i), &f.Plan[i], process)...)
	}
	slices.SortStableFunc(p.Plan, func(x, y scenario.Change) int { return cmp.Compare(x.At, y.At) })
	return p
}

// process lists what is given of a process, in the order of the struct, and sets it in pr.
func (b builder) process(path string, f *fileProcess, pr *plant.Process) (out []scenario.Setting) {
	v := reflect.ValueOf(f).Elem()
	for i := range v.NumField() {
		name := v.Type().Field(i).Tag.Get("yaml")
		if v.Field(i).IsNil() {
			continue
		}
		child := path + "." + name
		var x float64
		switch given := v.Field(i).Interface().(type) {
		case *pressureText:
			x = b.pressure(child, *given)
		case *temperatureText:
			x = b.measure(child, signal.AmbientTemperature, string(*given))
		case *float64:
			x = *given
		case *bool:
			if *given {
				x = 1
			}
		}
		if err := pr.SetQuantity(name, x); err != nil {
			b.Fail(child, "%s", inWords(err))
			continue
		}
		out = append(out, scenario.Setting{Quantity: name, Value: x})
	}
	return out
}

// wear takes a fault, whose name and side plant.Fault knows.
func (b builder) wear(path string, f *fileWear, params plant.Params) scenario.Wear {
	w := scenario.Wear{Fault: pump.Fault(f.Fault), Side: pump.Side(f.Side)}
	if !slices.Contains(pump.Faults(), w.Fault) {
		if f.Fault != "" {
			b.Fail(path+".fault", "%q is not known; allowed are %s", f.Fault, list(pump.Faults()))
		}
		return w
	}
	if f.Side == "" {
		w.Side = pump.SideA
		if w.Fault == pump.AirValveSticking || w.Fault == pump.AirValveLeak {
			w.Side = pump.SideBoth
		}
	}
	if _, err := plant.Fault(w.Fault, w.Side, 1, params); err != nil || w.Side == pump.SideUnknown {
		b.Fail(path+".side", "%q is not known; allowed are %s", f.Side, list([]pump.Side{pump.SideA, pump.SideB, pump.SideBoth}))
	}
	w.From, w.Full, w.Until = b.duration(path+".from", f.From), b.duration(path+".full", f.Full), b.duration(path+".until", f.Until)
	if f.Full == "" {
		w.Full = w.From
	}
	if w.Full < w.From {
		b.Fail(path+".full", "lies before from; it must be that or later")
	}
	if f.Until != "" && w.Until < w.From {
		b.Fail(path+".until", "lies before from; it must be that or later")
	}
	// A size or a shape of zero means something else to the scenario.
	if f.Size != nil {
		w.Size = b.within(path+".size", *f.Size, 0.001, 10)
	}
	if f.Shape != nil {
		w.Shape = b.within(path+".shape", *f.Shape, 0.1, 10)
	}
	return w
}

func (b builder) duration(path string, text durationText) time.Duration {
	if text == "" {
		return 0
	}
	d, err := time.ParseDuration(string(text))
	if err != nil || d < 0 {
		b.Fail(path, "%q is not a duration; allowed are hours, minutes and seconds of 0 or more, such as 36h or 1h30m", text)
		return 0
	}
	return d
}

func (b builder) pressure(path string, text pressureText) float64 {
	return b.measure(path, signal.AirInletPressure, string(text))
}

func (b builder) measure(path string, c signal.Channel, text string) float64 {
	if text == "" {
		return 0
	}
	v, err := config.ParseMeasure(c, text)
	if err != nil {
		b.Fail(path, "%v", err)
	}
	return v
}

func (b builder) within(path string, v, lo, hi float64) float64 {
	if !(v >= lo && v <= hi) {
		b.Fail(path, "is %g; allowed are %g to %g", v, lo, hi)
	}
	return v
}

// name checks what becomes a topic level and a file's part: the configuration's own rule.
func (b builder) name(path, text string) {
	if text == "" {
		return // reported as missing
	}
	if err := config.CheckName(text); err != nil {
		b.Fail(path, "%v", err)
	}
}

// inWords takes the package's name off an error that a person reads at a line of a file.
func inWords(err error) string {
	_, text, _ := strings.Cut(err.Error(), ": ")
	return text
}

func list[T ~string](words []T) string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return strings.Join(out, ", ")
}

func index(path string, i int) string { return fmt.Sprintf("%s[%d]", path, i) }
