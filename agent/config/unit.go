package config

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"diastole/detect/signal"
)

// line turns a number into another one: y = x*factor + offset.
type line struct{ factor, offset float64 }

// after is the line that applies inner first.
func (l line) after(inner line) line {
	return line{factor: l.factor * inner.factor, offset: l.factor*inner.offset + l.offset}
}

// unit is a unit that a channel may be given in.
type unit struct {
	code string
	toSI line
}

// quantity is what a channel measures: its name in words and its units, in the order in which they are
// offered.
type quantity struct {
	name  string
	units []unit
	// absolute is true where a unit may carry the suffix (abs), current where the raw number may be that
	// of a current loop.
	absolute, current bool
}

// Factors to SI. The inch, the pound and the gallon are exact by definition; NIST SP 811 (2008),
// appendix B.8, lists all of them, the inch of mercury as the conventional one: 13 595.1 kg/m3 under
// standard gravity.
const (
	inch            = 0.0254                           // m
	foot            = 12 * inch                        // m
	poundForce      = 0.45359237 * standardGravity     // N
	standardGravity = 9.80665                          // m/s2
	psi             = poundForce / (inch * inch)       // Pa
	inchOfMercury   = 13595.1 * standardGravity * inch // Pa
	gallon          = 231 * inch * inch * inch         // m3, US liquid
	litre           = 1e-3                             // m3
	minute          = 60                               // s
	hour            = 3600                             // s
	zeroCelsius     = 273.15                           // K
	// standardAtmosphere is what an absolute pressure is compared with to make it gauge, Pa (ISO 2533).
	// The true barometer differs from it by height and weather; the height is a constant, which the
	// learned baseline absorbs, the weather is some 3 kPa (common practice).
	standardAtmosphere = 101325
)

var pressure = quantity{name: "pressure", absolute: true, current: true, units: []unit{
	{"Pa", line{1, 0}},
	{"kPa", line{1e3, 0}},
	{"MPa", line{1e6, 0}},
	{"bar", line{1e5, 0}},
	{"mbar", line{100, 0}},
	{"psi", line{psi, 0}},
	{"inHg", line{inchOfMercury, 0}},
}}

var liquidFlow = quantity{name: "liquid flow", current: true, units: []unit{
	{"m3/h", line{1.0 / hour, 0}},
	{"L/min", line{litre / minute, 0}},
	{"L/s", line{litre, 0}},
	{"gal/min", line{gallon / minute, 0}},
}}

var airFlow = quantity{name: "air flow", current: true, units: slices.Concat(liquidFlow.units, []unit{
	{"scfm", line{foot * foot * foot / minute, 0}},
})}

var temperature = quantity{name: "temperature", current: true, units: []unit{
	{"Cel", line{1, zeroCelsius}},
	{"K", line{1, 0}},
	{"degF", line{1 / 1.8, 459.67 / 1.8}},
}}

var dimensionless = quantity{name: "count or bit", units: []unit{{"1", line{1, 0}}}}

// currentLoop is the unit of a raw current; it is no unit of any channel's quantity, so a scale must
// follow it.
const currentLoop = "mA"

// A transmitter outside these currents, mA, tells that it has failed (NAMUR NE 43, 2003).
const (
	faultLow  = 3.6
	faultHigh = 21
)

// absoluteSuffix marks a pressure that is measured against vacuum.
const absoluteSuffix = "(abs)"

// A moment and a state have no unit.
var (
	moment       = quantity{name: "moment"}
	serviceState = quantity{name: "state of service"}
)

// quantityOf is what a channel measures.
func quantityOf(c signal.Channel) quantity {
	switch c {
	case signal.StrokeEdge:
		return moment
	case signal.ServiceState:
		return serviceState
	case signal.AirFlow:
		return airFlow
	}
	switch c.Unit() {
	case "Pa":
		return pressure
	case "m3/s":
		return liquidFlow
	case "K":
		return temperature
	default:
		return dimensionless
	}
}

// codes lists the units of a quantity as they are written.
func (q quantity) codes() []string {
	codes := make([]string, len(q.units))
	for i, u := range q.units {
		codes[i] = u.code
	}
	return codes
}

// allowed says in words which units a quantity takes.
func (q quantity) allowed() string {
	text := strings.Join(q.codes(), ", ")
	if q.absolute {
		text += ", each gauge, or absolute with (abs) behind it"
	}
	if q.current {
		text += "; or " + currentLoop + " with a scale"
	}
	return text
}

// parse finds a unit by its code; the error says which are allowed and, for a unit of something else,
// of what.
func (q quantity) parse(code string) (line, error) {
	base, absolute := strings.CutSuffix(code, absoluteSuffix)
	for _, u := range q.units {
		if u.code != base {
			continue
		}
		switch {
		case !absolute:
			return u.toSI, nil
		case q.absolute:
			return line{u.toSI.factor, u.toSI.offset - standardAtmosphere}, nil
		default:
			return line{}, fmt.Errorf("unit %q: a %s is never absolute; write %q", code, q.name, base)
		}
	}
	for _, other := range []quantity{pressure, airFlow, liquidFlow, temperature} {
		for _, u := range other.units {
			if u.code == base {
				return line{}, fmt.Errorf("%q is a unit of %s; here is a %s, which takes %s", code, other.name, q.name, q.allowed())
			}
		}
	}
	return line{}, fmt.Errorf("unit %q is not known; %sallowed for a %s are %s",
		code, suggestion(code, q.codes()), q.name, q.allowed())
}

// atmosphere is a state of air that a volume flow is stated at.
type atmosphere struct {
	code        string
	pressure    float64 // Pa absolute
	temperature float64 // K
}

// atmospheres are the references, the stored one first: ANR is the standard reference atmosphere of
// ISO 8778, 100 kPa, 20 degC, 65 % relative humidity; 0 degC and 101.325 kPa is that of DIN 1343;
// 60 degF and 14.7 psi is what North American sheets call standard (common practice).
var atmospheres = []atmosphere{
	{"ANR", 100e3, 20 + zeroCelsius},
	{"0Cel-101.325kPa", 101.325e3, zeroCelsius},
	{"60degF-14.7psi", 14.7 * psi, (60 + 459.67) / 1.8},
}

// toANR is the factor from a volume flow at the named atmosphere to the same flow of air at ANR, by the
// ideal gas law: V_ANR = V * (p/p_ANR) * (T_ANR/T). The amount of gas is kept. That ANR air is moist is
// left out: it changes the density by 0.6 %, less than a flow meter's own error, and nobody states the
// moisture of the air in the pipe.
func toANR(reference string) (float64, error) {
	anr := atmospheres[0]
	for _, a := range atmospheres {
		if a.code == reference {
			return a.pressure / anr.pressure * anr.temperature / a.temperature, nil
		}
	}
	return 0, errors.New(notAllowed("reference", reference, referenceCodes()))
}

func referenceCodes() []string {
	codes := make([]string, len(atmospheres))
	for i, a := range atmospheres {
		codes[i] = a.code
	}
	return codes
}
