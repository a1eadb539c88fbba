package config

import (
	"diastole/detect/feature"
	"diastole/model/air"
)

// fileSupplyPath is the air supply path as it is written.
type fileSupplyPath struct {
	Conductance   float64  `yaml:"conductance" jsonschema:"required" jsonschema_description:"sonic conductance of filter, hose and shut-off valve together, dm3/(s bar) (ISO 6358)"`
	CriticalRatio *float64 `yaml:"critical_ratio" jsonschema:"required" jsonschema_description:"their critical pressure ratio b (ISO 6358)"`
	Droop         float64  `yaml:"droop" jsonschema_description:"by how much the regulator's outlet falls, bar at 1000 L/min ANR; default 0"`
	Uncertainty   float64  `yaml:"uncertainty" jsonschema:"required" jsonschema_description:"relative standard uncertainty of the flow that follows from these, such as 0.03"`
}

// The units of a supply path in SI: 1 dm3/(s bar) in m3/(s Pa), and 1 bar per 1000 L/min at ANR in Pa s/kg.
const (
	conductanceUnit = 1e-8
	droopUnit       = 1e5 / (1000 * litre / minute * air.AnrDensity)
)

// supplyPath reads the air supply path; without one the air per stroke is not had from pressures.
func (b *builder) supplyPath(path string, f *fileSupplyPath) feature.SupplyPath {
	if f == nil {
		return feature.SupplyPath{}
	}
	ratio := 0.0
	if f.CriticalRatio != nil {
		ratio = *f.CriticalRatio
	}
	for _, x := range []struct {
		key    string
		v      float64
		lo, hi float64
	}{
		{"conductance", f.Conductance, 0.01, 1000},
		{"critical_ratio", ratio, 0, 0.6},
		{"droop", f.Droop, 0, 5},
		{"uncertainty", f.Uncertainty, 0.001, 0.5},
	} {
		if at := path + "." + x.key; b.doc.has(at) && !(x.v >= x.lo && x.v <= x.hi) {
			b.doc.fail(at, "is %g; allowed are %g to %g", x.v, x.lo, x.hi)
		}
	}
	return feature.SupplyPath{
		Path:  air.Conductance{C: f.Conductance * conductanceUnit, B: ratio},
		Droop: f.Droop * droopUnit, Spread: f.Uncertainty,
	}
}
