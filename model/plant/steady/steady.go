// Package steady draws the steady maps of a pump: what it delivers, how fast it strokes, what air it takes
// and how well it uses it, over the discharge pressure, for given air pressures; as a table and a drawing.
package steady

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"

	"diastole/model/plant"
)

// Point is one point of a map.
type Point struct {
	// Air is the regulator's pressure, Head the pressure of the vessel that is pumped into, Pa gauge.
	Air, Head float64
	plant.Point
}

// heads is the parts of the air pressure at which a curve is measured, up to just below stall.
var heads = []float64{0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 0.98}

// Map measures a pump on a test stand: a short line without loss into a vessel whose pressure is raised from
// nothing to just below stall, once for each air pressure (Pa gauge at the regulator), water at 20 degC. The
// points go by air pressure as given, then by head. Scatter from stroke to stroke is left out.
func Map(p plant.Params, f plant.Faults, pressures ...float64) ([]Point, error) {
	p.Jitter = 0
	p.LineResistance, p.Throttle = 0, 0
	if err := p.Validate(); err != nil {
		return nil, err
	}
	var out []Point
	for _, air := range pressures {
		if !(air > 0 && air <= 12e5) {
			return nil, fmt.Errorf("steady: air pressure is %g Pa; allowed are above 0 to 12e5", air)
		}
		s := plant.New(p, 1)
		s.Used(1e9) // worn in
		pr := p.Reference()
		pr.Setting, pr.Header = air, air+1e5
		for _, h := range heads {
			pr.StaticHead = h * air
			s.Set(f, pr)
			s.Settle()
			out = append(out, Point{Air: air, Head: pr.StaticHead, Point: s.Measure(5)})
		}
	}
	return out, nil
}

// column is one quantity of a map in the unit in which it is printed.
type column struct {
	name, title string
	of          func(Point) float64
}

var columns = []column{
	{"air_setting_pa", "", func(p Point) float64 { return p.Air }},
	{"air_inlet_pa", "", func(p Point) float64 { return p.Inlet }},
	{"discharge_pa", "", func(p Point) float64 { return p.Discharge }},
	{"flow_m3_s", "", func(p Point) float64 { return p.Flow }},
	{"stroke_rate_per_s", "", func(p Point) float64 { return p.Rate }},
	{"volume_per_stroke_m3", "", func(p Point) float64 { return p.PerStroke }},
	{"air_flow_m3_s_anr", "", func(p Point) float64 { return p.AirFlow }},
	{"air_per_stroke_m3_anr", "", func(p Point) float64 { return p.AirPerStroke }},
	{"air_factor", "", func(p Point) float64 { return p.AirFactor }},
	{"efficiency", "", func(p Point) float64 { return p.Efficiency }},
}

// CSV writes a map as a table with a header line, SI units, six significant digits.
func CSV(w io.Writer, points []Point) error {
	c := csv.NewWriter(w)
	row := make([]string, len(columns))
	for i, k := range columns {
		row[i] = k.name
	}
	if err := c.Write(row); err != nil {
		return fmt.Errorf("steady: writing the table: %w", err)
	}
	for _, p := range points {
		for i, k := range columns {
			row[i] = strconv.FormatFloat(k.of(p), 'g', 6, 64)
		}
		if err := c.Write(row); err != nil {
			return fmt.Errorf("steady: writing the table: %w", err)
		}
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("steady: writing the table: %w", err)
	}
	return nil
}

// ticks is a handful of round numbers that span 0 to hi.
func ticks(hi float64) []float64 {
	if !(hi > 0) {
		return []float64{0, 1}
	}
	step := math.Pow(10, math.Floor(math.Log10(hi/4)))
	for _, k := range []float64{2, 2.5, 2} { // 2, 5, 10
		if hi/step <= 6 {
			break
		}
		step *= k
	}
	var out []float64
	for i := 0; ; i++ {
		v := float64(i) * step
		out = append(out, v)
		if v >= hi*(1-1e-9) {
			return out
		}
	}
}
