package config

import (
	"cmp"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"diastole/model/pump"
)

// The words that a catalogue's keys take.
var (
	partSides   = []string{"liquid", "air", "both"}
	torqueUnits = []string{"N.m", "lbf.ft", "lbf.in", "kgf.m"}
)

// The bounds of a catalogue's numbers, far outside of what occurs: they catch a slipped unit or a slipped key.
const (
	maxQuantity = 1000
	maxLeadDays = 1000
	maxMoney    = 1e7
	maxTorque   = 5000
	maxHours    = 10000
)

var currencyCode = regexp.MustCompile(`^[A-Z]{3}$`) // ISO 4217

func componentWords() []string {
	var words []string
	for _, c := range pump.Components() {
		words = append(words, string(c))
	}
	return words
}

// service reads what a model's entry says of its upkeep.
func (r catalogueReader) service(path string, f *fileModel) pump.Service {
	s := pump.Service{Kits: r.kits(path, f)}
	for _, t := range f.Tools {
		s.Tools = append(s.Tools, pump.Tool(t))
	}
	for _, p := range f.Inspect {
		s.Inspect = append(s.Inspect, pump.Inspection(p))
	}
	for i := range f.Joints {
		s.Joints = append(s.Joints, r.joint(index(path+".joints", i), &f.Joints[i]))
	}
	return s
}

// kits are those of the list, and those of which only the number is known.
func (r catalogueReader) kits(path string, f *fileModel) []pump.KitSpec {
	var out []pump.KitSpec
	first := map[string]string{}
	for i := range f.Kits {
		at, k := index(path+".kits", i), &f.Kits[i]
		out = append(out, r.kit(at, k))
		key := k.Kit + "\n" + fmt.Sprint(k.Materials) // maps are printed in the order of their keys
		if earlier, twice := first[key]; twice && k.Kit != "" {
			r.doc.fail(at+".kit", "a %s kit for the same materials stands on line %d; give each the materials of the pumps that it fits",
				k.Kit, r.doc.nearest(earlier).line)
		}
		first[key] = at
	}
	numbers := r.kitNumbers(path+".kit_numbers", f.KitNumbers)
	for _, k := range pump.Kits() {
		n, given := numbers[k]
		switch {
		case !given:
		case slices.ContainsFunc(out, func(s pump.KitSpec) bool { return s.Kit == k }):
			r.doc.fail(join(path+".kit_numbers", string(k)), "stands under kits too; write the number there alone")
		default:
			out = append(out, pump.KitSpec{Kit: k, Number: n})
		}
	}
	return out
}

func (r catalogueReader) kit(path string, f *fileKit) pump.KitSpec {
	k := pump.KitSpec{Kit: pump.Kit(f.Kit), Number: f.Number, Materials: f.Materials}
	if f.Kit != "" && !slices.Contains(kits, f.Kit) {
		r.doc.fail(path+".kit", "%s", notAllowed("kit", f.Kit, kits))
	}
	for i := range f.Parts {
		k.Parts = append(k.Parts, r.bomLine(index(path+".parts", i), &f.Parts[i]))
	}
	if s := f.Stock; s != nil {
		k.Stock = &pump.Stock{OnHand: r.count(path+".stock.on_hand", s.OnHand, 0), ReorderPoint: r.count(path+".stock.reorder_point", s.ReorderPoint, 0), Place: s.Place}
		if s.Counted != "" {
			var err error
			if k.Stock.Counted, err = time.Parse(time.DateOnly, s.Counted); err != nil {
				r.doc.fail(path+".stock.counted", "%q is not a day, such as 2026-03-09", s.Counted)
			}
		}
	}
	k.LeadTimeDays = r.within(path+".lead_time_days", f.LeadTimeDays, 0, maxLeadDays)
	if c := f.Cost; c != nil {
		k.Cost, k.Currency = r.within(path+".cost.value", c.Value, 0, maxMoney), c.Currency
		r.currency(path+".cost.currency", c.Currency)
	}
	return k
}

func (r catalogueReader) bomLine(path string, f *fileBOMLine) pump.BOMLine {
	if f.Side != "" && !slices.Contains(partSides, f.Side) {
		r.doc.fail(path+".side", "%s", notAllowed("side", f.Side, partSides))
	}
	if f.Component != "" && !slices.Contains(componentWords(), f.Component) {
		r.doc.fail(path+".component", "%s", notAllowed("component", f.Component, componentWords()))
	}
	return pump.BOMLine{
		Part: f.Part, Number: f.Number, Quantity: r.count(path+".quantity", f.Quantity, 1),
		Side: f.Side, Material: f.Material, Component: pump.Component(f.Component),
	}
}

// joint wants either a torque with its source or words to the effect that the manual gives none: silence could mean that
// somebody forgot to look.
func (r catalogueReader) joint(path string, f *fileJoint) pump.Joint {
	j := pump.Joint{
		Joint: f.Joint, Instead: f.NoTorque, Pattern: f.Pattern,
		RetorqueHours: r.within(path+".retorque_hours", f.RetorqueHours, 0, maxHours),
	}
	hasTorque, hasNone := r.doc.has(path+".torque"), r.doc.has(path+".no_torque")
	if hasTorque == hasNone {
		r.doc.fail(path, "needs either torque with value, unit, source and page, or no_torque, such as no_torque: tighten evenly")
	}
	if t := f.Torque; t != nil {
		if t.Unit != "" && !slices.Contains(torqueUnits, t.Unit) {
			r.doc.fail(path+".torque.unit", "%s", notAllowed("unit", t.Unit, torqueUnits))
		}
		j.Torque = &pump.Torque{Value: r.within(path+".torque.value", t.Value, 0.01, maxTorque), Unit: t.Unit, Source: t.Source, Page: t.Page}
	}
	return j
}

// installed reads the installed base. Pumps of models that are not known are reported where the model is named.
func (r catalogueReader) installed(list []fileInstalled, c *catalogue) []pump.Installed {
	var out []pump.Installed
	first := map[string]string{}
	known := append(pump.GenericNames(), c.names...)
	for i := range list {
		path, f := index("installed", i), &list[i]
		if f.Position != "" {
			if err := checkName(f.Position); err != nil {
				r.doc.fail(path+".position", "%v", err)
			}
			if earlier, twice := first[f.Position]; twice {
				r.doc.fail(path+".position", "position %q stands twice; the first is on line %d", f.Position, r.doc.nearest(earlier).line)
			}
			first[f.Position] = path
		}
		if f.Model != "" && !slices.Contains(known, f.Model) {
			r.doc.fail(path+".model", "%s", notAllowed("model", f.Model, known))
		}
		p := pump.Installed{
			Position: f.Position, Serial: f.Serial, Model: f.Model, Materials: f.Materials,
			Liquid: f.Liquid, Hazard: f.Hazard, Criticality: f.Criticality,
		}
		if s := f.Shifts; s != nil {
			p.Shifts = pump.Shifts{
				DaysPerWeek: r.within(path+".shifts.days_per_week", s.DaysPerWeek, 0.1, 7),
				HoursPerDay: r.within(path+".shifts.hours_per_day", s.HoursPerDay, 0.1, 24), Words: s.Note,
			}
		}
		if m, ok := c.models[f.Model]; ok {
			if _, err := m.service.fitting(p.Materials); err != nil {
				r.doc.fail(path+".model", "%v", err)
			}
		}
		out = append(out, p)
	}
	return out
}

func (r catalogueReader) costs(f *fileCosts) pump.Costs {
	if f == nil {
		return pump.Costs{}
	}
	r.currency("costs.currency", f.Currency)
	return pump.Costs{
		Currency:         f.Currency,
		AirPerCubicMetre: r.within("costs.air_per_m3_anr", f.Air, 0, 1000),
		LabourPerHour:    r.within("costs.labour_per_hour", f.LabourPerHour, 0, maxMoney),
		DowntimePerHour:  r.within("costs.downtime_per_hour", f.DowntimePerHour, 0, maxMoney),
		RebuildHours:     r.within("costs.rebuild_hours", f.RebuildHours, 0, maxHours),
	}
}

func (r catalogueReader) currency(path, code string) {
	if code != "" && !currencyCode.MatchString(code) {
		r.doc.fail(path, "%q is not an ISO 4217 code of three capitals, such as EUR or USD", code)
	}
}

// within is the value of a key that may be absent, which is 0.
func (r catalogueReader) within(path string, v *float64, low, high float64) float64 {
	if v == nil {
		return 0
	}
	if !(*v >= low && *v <= high) {
		r.doc.fail(path, "is %v; allowed are %v to %v", *v, low, high)
	}
	return *v
}

func (r catalogueReader) count(path string, v *int64, low int64) int {
	if v == nil {
		return 0
	}
	if *v < low || *v > maxQuantity {
		r.doc.fail(path, "is %d; allowed are %d to %d", *v, low, maxQuantity)
		return 0
	}
	return int(*v)
}

// upkeep is a model's service data before a pump's materials are known.
type upkeep struct{ pump.Service }

// fitting are the kits for a pump of these materials: of each kind the one that asks for most of what the pump is known to be
// made of. Two that fit equally well are an error that says what to add.
func (u upkeep) fitting(materials map[string]string) (pump.Service, error) {
	s := u.Service
	s.Kits = nil
	for _, kind := range pump.Kits() {
		var fit []pump.KitSpec
		var all []string
		for _, k := range u.Kits {
			if k.Kit != kind {
				continue
			}
			all = append(all, fmt.Sprintf("%s for %s", k.Number, inWords(k.Materials)))
			if fits(k.Materials, materials) {
				fit = append(fit, k)
			}
		}
		slices.SortStableFunc(fit, func(a, b pump.KitSpec) int { return cmp.Compare(len(b.Materials), len(a.Materials)) })
		switch {
		case len(fit) > 1 && len(fit[0].Materials) == len(fit[1].Materials):
			return s, fmt.Errorf("%s kits %s and %s fit its materials %s equally well; say more of them under installed: materials",
				kind, fit[0].Number, fit[1].Number, inWords(materials))
		case len(fit) > 0:
			s.Kits = append(s.Kits, fit[0])
		case len(all) > 0:
			return s, fmt.Errorf("no %s kit fits its materials %s; there are %s; say under installed what the pump is made of",
				kind, inWords(materials), strings.Join(all, ", "))
		}
	}
	return s, nil
}

// fits tells whether a pump has all the materials that a kit asks for.
func fits(wanted, has map[string]string) bool {
	for part, material := range wanted {
		if has[part] != material {
			return false
		}
	}
	return true
}

func inWords(materials map[string]string) string {
	if len(materials) == 0 {
		return "(none stated)"
	}
	var words []string
	for _, part := range slices.Sorted(maps.Keys(materials)) {
		words = append(words, part+" "+materials[part])
	}
	return strings.Join(words, ", ")
}

// KitsFor are the kits of the catalogue that fit a pump of the installed base; none for a model that the catalogue does not have.
func (c *Config) KitsFor(x pump.Installed) []pump.KitSpec {
	var u upkeep
	for _, k := range c.Kits {
		if k.Model == x.Model {
			u.Kits = append(u.Kits, k.Kit)
		}
	}
	fit, err := u.fitting(x.Materials)
	if err != nil { // it was checked when the catalogue was read
		return nil
	}
	return fit.Kits
}
