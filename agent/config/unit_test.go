package config

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"diastole/detect/signal"
)

// How many SI units one unit is, from outside this program.
var references = []struct {
	unit   string
	of     quantity
	raw    float64
	si     float64
	within float64 // relative
	source string
}{
	{"psi", pressure, 1, 6.894757e3, 1e-7, "NIST SP 811 (2008), B.8 (value from memory)"},
	{"psi", pressure, 1, 0.45359237 * 9.80665 / (0.0254 * 0.0254), 1e-15, "UCUM essence: 7000 [gr] of 64.79891 mg, [g] 9.80665 m/s2, [in_i] 2.54 cm"},
	{"inHg", pressure, 1, 3.386389e3, 2e-7, "NIST SP 811 (2008), B.8, conventional (value from memory)"},
	{"inHg", pressure, 1, 25.4 * 133.322, 4e-6, "UCUM essence: m[Hg] 133.3220 kPa (value from memory)"},
	{"bar", pressure, 1, 1e5, 0, "UCUM essence"},
	{"mbar", pressure, 1, 100, 0, "UCUM essence: m is 1e-3"},
	{"kPa", pressure, 1, 1e3, 0, "UCUM essence: k is 1e3"},
	{"MPa", pressure, 1, 1e6, 0, "UCUM essence: M is 1e6"},
	{"Pa", pressure, 1, 1, 0, "UCUM essence"},
	{"bar(abs)", pressure, 1.01325, 0, 0, "UCUM essence: atm is 101325 Pa"},
	{"psi(abs)", pressure, 14.695949, 0, 0, "the standard atmosphere is 14.695 949 psi (value from memory)"},
	{"m3/h", liquidFlow, 3600, 1, 1e-15, "UCUM essence: h is 60 min of 60 s"},
	{"L/min", liquidFlow, 1, 1.666667e-5, 3e-7, "NIST SP 811 (2008), B.8 (value from memory)"},
	{"L/s", liquidFlow, 1, 1e-3, 0, "UCUM essence: l is 1 dm3"},
	{"gal/min", liquidFlow, 1, 6.309020e-5, 1e-7, "NIST SP 811 (2008), B.8 (value from memory)"},
	{"gal/min", liquidFlow, 60, 231 * 0.0254 * 0.0254 * 0.0254, 1e-15, "UCUM essence: [gal_us] is 231 [in_i]3"},
	{"scfm", airFlow, 1, 4.719474e-4, 1e-7, "NIST SP 811 (2008), B.8, cubic foot per minute (value from memory)"},
	{"Cel", temperature, 20, 293.15, 1e-15, "SI brochure: t/degC = T/K - 273.15"},
	{"degF", temperature, 32, 273.15, 1e-15, "NIST SP 811 (2008), B.8: T/K = (t/degF + 459.67)/1.8 (value from memory)"},
	{"degF", temperature, 212, 373.15, 1e-15, "NIST SP 811 (2008), B.8, as above"},
	{"K", temperature, 300, 300, 0, "SI"},
}

func TestUnits(t *testing.T) {
	for _, r := range references {
		l, err := r.of.parse(r.unit)
		if err != nil {
			t.Errorf("%s: %v", r.unit, err)
			continue
		}
		tolerance := r.within * math.Abs(r.si)
		if r.si == 0 {
			tolerance = 0.01 // Pa, what the digits of the source leave
		}
		if got := r.raw*l.factor + l.offset; math.Abs(got-r.si) > tolerance {
			t.Errorf("%v %s is %.9g, want %.9g: %s", r.raw, r.unit, got, r.si, r.source)
		}
	}
}

// Each unit has a check against the outside.
func TestUnitsAreAllChecked(t *testing.T) {
	checked := map[string]bool{"1": true}
	for _, r := range references {
		checked[r.unit] = true
	}
	for _, q := range []quantity{pressure, liquidFlow, airFlow, temperature, dimensionless} {
		for _, code := range q.codes() {
			if !checked[code] {
				t.Errorf("no reference for %s", code)
			}
		}
	}
}

// Air at the references, by the ideal gas law worked with numbers from outside.
func TestReferenceAtmosphere(t *testing.T) {
	for _, r := range []struct {
		reference    string
		want, within float64
		source       string
	}{
		{"ANR", 1, 0, "ISO 8778: 100 kPa, 20 degC"},
		{"0Cel-101.325kPa", 1.0874, 5e-5, "normal and ANR litres differ by 8.7 % (common practice); 1.01325 * 293.15/273.15"},
		{"60degF-14.7psi", 1.0291, 5e-5, "14.7 psi is 101.353 kPa, 60 degF is 288.706 K: 1.01353 * 293.15/288.706, worked by hand"},
	} {
		got, err := toANR(r.reference)
		if err != nil || math.Abs(got-r.want) > r.within {
			t.Errorf("%s: got %v, %v, want %v: %s", r.reference, got, err, r.want, r.source)
		}
	}
}

// 100 scfm of a compressor's sheet are 0.04857 m3/s at ANR: 100 * 4.719474e-4 (NIST SP 811) * 1.0291.
func TestStandardCubicFeet(t *testing.T) {
	c := parseChannel(t, "air_flow: {topic: a, unit: scfm, reference: 60degF-14.7psi}")
	if got := 100*c.Factor + c.Offset; math.Abs(got-0.048568) > 5e-6 {
		t.Errorf("got %v m3/s", got)
	}
}

// Whatever the unit and the scale, the two points of the scale come out as they were written.
func TestScaleHitsItsPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.Float64Range(-1e4, 1e4)
		apart := func(name string) [2]float64 {
			low := number.Draw(t, name)
			return [2]float64{low, low + rapid.SampledFrom([]float64{-1, 1}).Draw(t, name+" direction")*rapid.Float64Range(0.01, 1e4).Draw(t, name+" span")}
		}
		from, to := apart("from"), apart("to")
		code := rapid.SampledFrom(append(pressure.codes(), "bar(abs)", "psi(abs)")).Draw(t, "unit")
		unit, err := pressure.parse(code)
		if err != nil {
			t.Fatal(err)
		}
		c, err := parseChannelText(fmt.Sprintf("air_inlet_pressure: {topic: a, unit: %s, scale: {from: [%v, %v], to: [%v, %v]}}",
			code, from[0], from[1], to[0], to[1]))
		if err != nil {
			t.Fatal(err)
		}
		for i := range 2 {
			want := to[i]*unit.factor + unit.offset
			got := from[i]*c.Factor + c.Offset
			// The span is divided by the span of from, so that is what errors grow with.
			tolerance := 1e-9 * (math.Abs(want) + unit.factor*(1+math.Abs(to[1]-to[0])/math.Abs(from[1]-from[0])*1e4))
			if math.Abs(got-want) > tolerance {
				t.Fatalf("%v becomes %v, want %v", from[i], got, want)
			}
		}
	})
}

// Only a current tells of a failed transmitter: by its unit, or by the standard signal's scale.
func TestCurrentLoop(t *testing.T) {
	for _, c := range []struct {
		text    string
		current bool
	}{
		{"air_inlet_pressure: {topic: a, unit: bar, scale: {from: [4, 20], to: [0, 10]}}", true},
		{"air_inlet_pressure: {topic: a, unit: mA, scale: {from: [4, 12], to: [0, 5], unit: bar}}", true},
		{"air_inlet_pressure: {topic: a, unit: bar, scale: {from: [0, 4095], to: [0, 10]}}", false},
		{"air_inlet_pressure: {topic: a, unit: bar}", false},
		{"air_valve_open: {topic: a, scale: {from: [4, 20], to: [0, 1]}}", false},
	} {
		got := parseChannel(t, c.text)
		want := [2]float64{}
		if c.current {
			want = [2]float64{3.6, 21} // NAMUR NE 43
		}
		if [2]float64{got.RawMin, got.RawMax} != want {
			t.Errorf("%s: bounds %v to %v, want %v", c.text, got.RawMin, got.RawMax, want)
		}
	}
}

// Units of one quantity are not taken for another's.
func TestUnitsOfOtherQuantities(t *testing.T) {
	for c := range signal.NumChannels {
		q := quantityOf(c)
		for _, other := range []quantity{pressure, liquidFlow, airFlow, temperature, dimensionless} {
			for _, u := range other.units {
				_, err := q.parse(u.code)
				mine := false
				for _, m := range q.units {
					mine = mine || m.code == u.code
				}
				if (err == nil) != mine {
					t.Errorf("%v takes %s: %v", c, u.code, err)
				}
			}
		}
	}
}

func parseChannelText(channel string) (Channel, error) {
	c, err := Parse("test.yaml", []byte("site: north\nmqtt: {listen: \":1883\"}\npumps:\n  - id: P-101\n    channels:\n      "+channel+"\n"))
	if err != nil {
		return Channel{}, err
	}
	return c.Pumps[0].Channels[0], nil
}

func parseChannel(t *testing.T, channel string) Channel {
	t.Helper()
	c, err := parseChannelText(channel)
	if err != nil {
		t.Fatal(err)
	}
	return c
}
