package config

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"diastole/model/pump"
)

// kits are the kits that a catalogue gives part numbers for.
var kits = []string{string(pump.WetEnd), string(pump.AirEnd), string(pump.PilotValve)}

// volumes are the units of a stroke volume.
var volumes = quantity{name: "volume", units: []unit{
	{"mL", line{1e-6, 0}},
	{"L", line{litre, 0}},
	{"gal", line{gallon, 0}},
}}

// platePressure is a pressure limit on a pump's plate, always gauge.
var platePressure = quantity{name: "gauge pressure", units: pressure.units}

// catalogue is the pump models that the user's file adds to the built-in ones.
type catalogue struct {
	// unreadable is true where its models are not known, so that they are not reported as missing too.
	unreadable bool
	names      []string
	models     map[string]catalogueModel
	installed  []pump.Installed
	costs      pump.Costs
}

type catalogueModel struct {
	pump.Model
	size, source string
	service      upkeep
}

// model finds a pump's model, built in or of the catalogue, and fills in what is known of it.
func (b *builder) model(path, name string, p *Pump) {
	b.place(path, name, p)
	if m, ok := b.catalogue.models[name]; ok {
		p.Settings.Model, p.Size, p.Source = m.Model, m.size, m.source
		var err error
		if p.Upkeep, err = m.service.fitting(p.Installed.Materials); err != nil {
			b.doc.fail(path, "%v", err)
		}
		for _, k := range p.Upkeep.Kits {
			if p.KitNumbers == nil {
				p.KitNumbers = map[pump.Kit]string{}
			}
			p.KitNumbers[k.Kit] = k.Number
		}
		return
	}
	m, err := pump.Generic(name)
	if err != nil && !b.catalogue.unreadable {
		b.doc.fail(path, "%s", notAllowed("model", name, append(pump.GenericNames(), b.catalogue.names...)))
	}
	p.Settings.Model = m
}

// place finds the pump in the installed base. What both say must agree: one of the two was not brought up to date.
func (b *builder) place(path, model string, p *Pump) {
	i := slices.IndexFunc(b.catalogue.installed, func(x pump.Installed) bool { return x.Position == p.ID })
	if i < 0 {
		p.Installed = pump.Installed{Position: p.ID, Serial: p.Serial, Model: model, Liquid: p.Liquid, Criticality: p.Criticality}
		return
	}
	at := b.catalogue.installed[i]
	for _, x := range []struct {
		key   string
		here  *string
		there string
	}{
		{"serial", &p.Serial, at.Serial}, {"liquid", &p.Liquid, at.Liquid}, {"criticality", &p.Criticality, at.Criticality},
		{"model", &model, at.Model},
	} {
		if *x.here != "" && x.there != "" && *x.here != x.there {
			b.doc.fail(strings.TrimSuffix(path, "model")+x.key, "is %q; the catalogue's installed base has %q at %s", *x.here, x.there, p.ID)
		}
		*x.here = cmp.Or(*x.here, x.there)
	}
	at.Serial, at.Liquid, at.Criticality = p.Serial, p.Liquid, p.Criticality
	p.Installed = at
}

// loadCatalogue reads the catalogue that the configuration names; its problems are those of the
// catalogue's own file.
func (b *builder) loadCatalogue(name string) (catalogue, []Problem) {
	if name == "" {
		return catalogue{unreadable: b.doc.has("catalogue")}, nil
	}
	file := b.resolve(name)
	data, err := readFile(file, maxFileBytes)
	if err != nil {
		b.doc.fail("catalogue", "cannot be read: %v", err)
		return catalogue{unreadable: true}, nil
	}
	var content fileCatalogue
	r := catalogueReader{decode(file, data, &content)}
	c := r.catalogue(&content)
	sortProblems(r.doc.problems)
	return c, r.doc.problems
}

// catalogueReader makes values of a decoded catalogue.
type catalogueReader struct{ doc *document }

func (r catalogueReader) catalogue(f *fileCatalogue) catalogue {
	c := catalogue{unreadable: !r.doc.has("") || r.doc.bad["models"], models: map[string]catalogueModel{}}
	first := map[string]string{}
	for i := range f.Models {
		path, m := index("models", i), &f.Models[i]
		model := r.model(path, m)
		if m.Name == "" {
			continue
		}
		if earlier, twice := first[m.Name]; twice {
			r.doc.fail(path+".name", "model %q stands twice; the first is on line %d", m.Name, r.doc.nearest(earlier+".name").line)
			continue
		}
		first[m.Name] = path
		if slices.Contains(pump.GenericNames(), m.Name) {
			r.doc.fail(path+".name", "%q is a built-in model; give this one a name of its own", m.Name)
			continue
		}
		c.names = append(c.names, m.Name)
		c.models[m.Name] = model
	}
	c.installed = r.installed(f.Installed, &c)
	c.costs = r.costs(f.Costs)
	return c
}

// The limits of what an air-operated double-diaphragm pump can be, wide enough for every one that is
// built (common practice): they catch a unit that slipped, such as litres for millilitres or psi for bar.
const (
	minStrokeVolume, maxStrokeVolume = 1e-6, 20e-3 // m3
	minCycles, maxCycles             = 1, 1000     // 1/min
	minAirPressure, maxAirPressure   = 1e5, 20e5   // Pa gauge
)

func (r catalogueReader) model(path string, f *fileModel) catalogueModel {
	if f.Name != "" {
		if err := checkName(f.Name); err != nil {
			r.doc.fail(path+".name", "%v", err)
		}
	}
	m := catalogueModel{size: f.Size, source: f.Source, service: upkeep{r.service(path, f)}}
	m.Name = f.Name
	m.StrokeVolume = r.quantity(path+".stroke_volume", volumes, f.StrokeVolume, minStrokeVolume, maxStrokeVolume)
	m.MaxAirPressure = r.quantity(path+".max_air_pressure", platePressure, f.MaxAirPressure, minAirPressure, maxAirPressure)
	m.MaxCycleRate = f.MaxCyclesPerMinute / minute
	if rate := path + ".max_cycles_per_minute"; r.doc.has(rate) && !(f.MaxCyclesPerMinute >= minCycles && f.MaxCyclesPerMinute <= maxCycles) {
		r.doc.fail(rate, "is %v; a pump makes between %d and %d cycles a minute", f.MaxCyclesPerMinute, minCycles, maxCycles)
	}
	return m
}

// quantity converts a value with its unit to SI and wants it between low and high, in SI.
func (r catalogueReader) quantity(path string, q quantity, f fileQuantity, low, high float64) float64 {
	if f.Unit == "" {
		return 0
	}
	toSI, err := q.parse(f.Unit)
	if err != nil {
		r.doc.fail(path+".unit", "%v", err)
		return 0
	}
	si := f.Value*toSI.factor + toSI.offset
	if r.doc.has(path+".value") && !(si >= low && si <= high) {
		r.doc.fail(path+".value", "is %v %s; a pump has between %.6g and %.6g %s", f.Value, f.Unit,
			low/toSI.factor, high/toSI.factor, f.Unit)
	}
	return si
}

func (r catalogueReader) kitNumbers(path string, f map[string]string) map[pump.Kit]string {
	if len(f) == 0 {
		return nil
	}
	numbers := make(map[pump.Kit]string, len(f))
	for _, name := range slices.Sorted(maps.Keys(f)) {
		if !slices.Contains(kits, name) {
			r.doc.fail(join(path, name), "%s", notAllowed("kit", name, kits))
			continue
		}
		numbers[pump.Kit(name)] = f[name]
	}
	return numbers
}
