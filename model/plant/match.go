package plant

import (
	"fmt"
	"math"
)

// At measures a pump at given mean pressures, as a comparison between a sound and a worn pump needs it:
// what wear does to the pressures themselves depends on the line, not on the pump. The regulator and the
// static head are moved until the mean inlet and discharge pressures (Pa gauge) are met within 0.1 % of the
// inlet pressure; all else stays as in pr. The process that did it is returned with the point.
func At(p Params, f Faults, pr Process, inlet, discharge float64, seed uint64, cycles int) (Point, Process, error) {
	s := New(p, seed)
	s.Used(1e9) // worn in
	tolerance := 1e-3 * inlet
	gain := 1.5
	var last float64
	var o Point
	for range 40 {
		pr.Header = max(pr.Header, pr.Setting+1e5)
		s.Set(f, pr)
		s.Settle()
		o = s.Measure(cycles)
		if o.Strokes == 0 {
			return o, pr, fmt.Errorf("plant: %s does not stroke at %.3g Pa inlet and %.3g Pa static head", p.Model, pr.Setting, pr.StaticHead)
		}
		air, liquid := inlet-o.Inlet, discharge-o.Discharge
		if math.Abs(air) < tolerance && math.Abs(liquid) < tolerance {
			return o, pr, nil
		}
		if last*liquid < 0 {
			gain *= 0.6
		}
		last = liquid
		pr.Setting += air
		pr.StaticHead += gain * liquid
	}
	return o, pr, fmt.Errorf("plant: %s cannot be brought to %.4g Pa inlet and %.4g Pa discharge; it came to %.4g and %.4g",
		p.Model, inlet, discharge, o.Inlet, o.Discharge)
}
