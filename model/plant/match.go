package plant

import (
	"fmt"
	"math"
	"time"
)

// At measures a pump at given mean pressures, as a comparison between a sound and a worn pump needs it:
// what wear does to the pressures themselves depends on the line, not on the pump. The regulator and the
// static head are moved until the mean inlet and discharge pressures (Pa gauge) are met within 0.1 % of the
// inlet pressure; all else stays as in pr. The process that did it is returned with the point.
func At(p Params, f Faults, pr Process, inlet, discharge float64, seed uint64, cycles int) (Point, Process, error) {
	s := New(p, seed)
	s.Used(1e9) // worn in
	s.Set(f, pr)
	s.Settle()
	tolerance := 1e-3 * inlet
	gain := 1.8 // static head per discharge pressure: the line's loss follows too
	var moved, before float64
	var o Point
	for range 40 {
		// A few cycles show where to go, as many as asked for show that it is reached.
		if o = s.Measure(3); o.Strokes == 0 {
			return o, pr, fmt.Errorf("plant: %s does not stroke at %.3g Pa inlet and %.3g Pa static head", p.Model, pr.Setting, pr.StaticHead)
		}
		if within(o, inlet, discharge, 0.7*tolerance) {
			if o = s.Measure(cycles); within(o, inlet, discharge, tolerance) {
				return o, pr, nil
			}
		}
		if d := o.Discharge - before; before != 0 && moved*d > 0 {
			gain = clamp(moved/d, 0.7, 4)
		}
		before, moved = o.Discharge, gain*(discharge-o.Discharge)
		pr.Setting += inlet - o.Inlet
		pr.StaticHead += moved
		pr.Header = max(pr.Header, pr.Setting+1e5)
		s.Set(f, pr)
		s.Run(time.Duration(8*p.referenceStroke()*float64(time.Second)), time.Second, nil)
	}
	return o, pr, fmt.Errorf("plant: %s cannot be brought to %.4g Pa inlet and %.4g Pa discharge; it came to %.4g and %.4g",
		p.Model, inlet, discharge, o.Inlet, o.Discharge)
}

func within(o Point, inlet, discharge, tolerance float64) bool {
	return math.Abs(inlet-o.Inlet) < tolerance && math.Abs(discharge-o.Discharge) < tolerance
}
