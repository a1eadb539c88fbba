package config

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"diastole/detect"
	"diastole/detect/signal"
)

// defaultLearn is the healthy calendar time that is learned from.
const defaultLearn = 100 * time.Hour

// The words that a pump's keys take; the first condition is the default, because nothing is assumed.
var (
	conditions = []string{"unknown", "new", "rebuilt", "used"}
	services   = []string{"continuous", "batch", "demand", "dead-head"}
	drives     = []string{"pilot", "solenoid"}
)

func (b *builder) pumps(files []filePump, falseTickets float64) []Pump {
	if len(files) == 0 && b.doc.has("pumps") {
		b.doc.fail("pumps", "needs at least one pump")
	}
	pumps := make([]Pump, len(files))
	first := map[string]string{}
	claims := claims{}
	for i := range files {
		path := index("pumps", i)
		pumps[i] = b.pump(path, &files[i])
		pumps[i].Settings.FalseTicketsPerYear = falseTickets
		b.claim(claims, path, files[i].Channels)
		id := files[i].ID
		if earlier, twice := first[id]; twice && id != "" {
			b.doc.fail(path+".id", "pump %q stands twice; the first is on line %d", id, b.doc.nearest(earlier+".id").line)
			continue
		}
		first[id] = path
	}
	return pumps
}

func (b *builder) pump(path string, f *filePump) Pump {
	if f.ID != "" {
		b.check(path+".id", checkName(f.ID))
	}
	p := Pump{
		ID: f.ID, Serial: f.Serial, Liquid: f.Liquid, Criticality: f.Criticality, Service: f.Service,
		ConditionAtStart: cmp.Or(f.ConditionAtStart, conditions[0]),
	}
	b.oneOf(path+".condition_at_start", p.ConditionAtStart, conditions)
	if f.Service != "" {
		b.oneOf(path+".service", f.Service, services)
	}
	b.build(path, f, &p)
	b.model(path+".model", cmp.Or(f.Model, defaultModel), &p)
	p.Settings.Learn = b.learn(path, f)
	p.Settings.Learn.AsFound = p.ConditionAtStart == "unknown"
	p.Channels = b.channels(path+".channels", f.Channels)
	for _, c := range p.Channels {
		p.Settings.Channels[c.Channel] = true
		p.Settings.OnChange[c.Channel] = c.OnChange
	}
	p.Settings.Supply = b.supplyPath(path+".supply_path", f.SupplyPath)
	p.Settings.Counter = counter(f.Channels[signal.StrokeCount.String()])
	p.Settings.EdgePerCycle = f.Channels[signal.StrokeEdge.String()].Counts == countables[1]
	for _, c := range p.Channels {
		p.Settings.AirBeforeValve = p.Settings.AirBeforeValve || c.BeforeValve
	}
	return p
}

// The pressure ratios that are built (common practice): stepped pistons of twice and three times the area, and a little around.
const minRatio, maxRatio = 0.5, 5

// build reads how the pump is built in.
func (b *builder) build(path string, f *filePump, p *Pump) {
	p.Drive = cmp.Or(f.Drive, drives[0])
	b.oneOf(path+".drive", p.Drive, drives)
	p.Settings.Solenoid = p.Drive == drives[1]
	if f.PressureRatio != nil {
		if r := *f.PressureRatio; !(r >= minRatio && r <= maxRatio) {
			b.doc.fail(path+".pressure_ratio", "is %v; allowed are %v to %v: liquid pressure over air pressure", r, minRatio, maxRatio)
		}
		p.Settings.PressureRatio = *f.PressureRatio
	}
	p.Damper, p.AirHeader, p.DischargeHeader = f.Damper, f.AirHeader, f.DischargeHeader
	for _, h := range []struct{ key, name string }{{"air_header", f.AirHeader}, {"discharge_header", f.DischargeHeader}} {
		if h.name != "" {
			b.check(join(path, h.key), checkName(h.name))
		}
	}
}

// learn reads when learning ends. Each key given is a condition, the first that is met ends it; without
// any it is the default.
func (b *builder) learn(path string, f *filePump) detect.LearnSettings {
	l := detect.LearnSettings{
		For:     b.duration(path+".learn", f.Learn),
		Running: b.duration(path+".learn_running", f.LearnRunning),
	}
	if f.LearnStrokes != nil {
		if *f.LearnStrokes <= 0 {
			b.doc.fail(path+".learn_strokes", "is %d; it must be above 0", *f.LearnStrokes)
		}
		l.Strokes = float64(*f.LearnStrokes)
	}
	if l.For == 0 && l.Running == 0 && l.Strokes == 0 {
		l.For = defaultLearn
	}
	for i, s := range f.LearnExclude {
		l.Exclude = append(l.Exclude, b.stretch(index(path+".learn_exclude", i), s))
	}
	return l
}

func (b *builder) duration(path string, text durationText) time.Duration {
	if text == "" {
		return 0
	}
	d, err := time.ParseDuration(string(text))
	if err != nil || d <= 0 {
		b.doc.fail(path, "%q is not a duration; allowed are hours, minutes and seconds above 0, such as 100h or 8h30m", text)
	}
	return d
}

func (b *builder) stretch(path string, pair []string) detect.Stretch {
	if len(pair) != 2 {
		b.doc.fail(path, "must be two times, [from, to]; here are %d", len(pair))
		return detect.Stretch{}
	}
	s := detect.Stretch{From: b.time(path+"[0]", pair[0]), To: b.time(path+"[1]", pair[1])}
	if !s.From.IsZero() && !s.To.IsZero() && !s.From.Before(s.To) {
		b.doc.fail(path, "ends at %s, which is not after its beginning", pair[1])
	}
	return s
}

func (b *builder) time(path, text string) time.Time {
	if text == "" {
		return time.Time{}
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		b.doc.fail(path, "%q is not a time in RFC 3339, such as 2026-03-09T10:00:00Z or 2026-03-09T11:00:00+01:00", text)
	}
	return t
}

// claims remembers which channel reads what: a topic and the selector in its payload.
type claims map[[3]string]claimant

type claimant struct {
	path   string
	shared bool
}

// claim reports a topic and selector that two channels read without both saying that they share it: a
// topic copied from the neighbour and not changed would otherwise pass.
func (b *builder) claim(taken claims, pump string, channels fileChannels) {
	for _, name := range b.inFileOrder(pump+".channels", channels) {
		f := channels[name]
		if f.Topic == "" {
			continue
		}
		key := [3]string{f.Topic, "", f.Name}
		if f.Value != nil {
			key[1] = string(*f.Value)
		}
		path := fmt.Sprintf("%s.channels.%s", pump, name)
		earlier, twice := taken[key]
		if !twice {
			taken[key] = claimant{path, f.Shared}
			continue
		}
		if !f.Shared || !earlier.shared {
			what := fmt.Sprintf("%q", f.Topic)
			if key[1] != "" {
				what += fmt.Sprintf(" with value %q", key[1])
			}
			if key[2] != "" {
				what += fmt.Sprintf(" with name %q", key[2])
			}
			b.doc.fail(path+".topic", "%s is already read by %s on line %d; where both mean the same sensor, write shared: true at both",
				what, earlier.path, b.doc.nearest(earlier.path+".topic").line)
		}
	}
}

// inFileOrder lists the channels of a pump as they stand in the file.
func (b *builder) inFileOrder(path string, channels fileChannels) []string {
	names := make([]string, 0, len(channels))
	for name := range channels {
		names = append(names, name)
	}
	slices.SortFunc(names, func(x, y string) int {
		p, q := b.doc.nearest(join(path, x)), b.doc.nearest(join(path, y))
		return cmp.Or(cmp.Compare(p.line, q.line), cmp.Compare(p.column, q.column), cmp.Compare(x, y))
	})
	return names
}

// counter reads what the stroke counter counts; f is the zero value where there is none.
func counter(f fileChannel) detect.CounterSettings {
	s := detect.CounterSettings{PerCycle: f.Counts == "cycle"}
	if f.WrapsAt != nil {
		s.WrapsAt = float64(*f.WrapsAt)
	}
	return s
}

func index(path string, i int) string { return fmt.Sprintf("%s[%d]", path, i) }
