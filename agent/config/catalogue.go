package config

import (
	"maps"
	"slices"

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
}

type catalogueModel struct {
	pump.Model
	size, source string
	kitNumbers   map[pump.Kit]string
}

// model finds a pump's model, built in or of the catalogue, and fills in what is known of it.
func (b *builder) model(path, name string, p *Pump) {
	if m, ok := b.catalogue.models[name]; ok {
		p.Settings.Model, p.Size, p.Source, p.KitNumbers = m.Model, m.size, m.source, m.kitNumbers
		return
	}
	m, err := pump.Generic(name)
	if err != nil && !b.catalogue.unreadable {
		b.doc.fail(path, "%s", notAllowed("model", name, append(pump.GenericNames(), b.catalogue.names...)))
	}
	p.Settings.Model = m
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
	m := catalogueModel{size: f.Size, source: f.Source, kitNumbers: r.kitNumbers(path+".kit_numbers", f.KitNumbers)}
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
