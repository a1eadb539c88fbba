package config_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"diastole/agent/config"
	"diastole/detect/signal"
)

// Values with their units, by the definitions of NIST SP 811 (2008), appendix B.8, and ISO 2533.
func TestParseMeasure(t *testing.T) {
	for _, c := range []struct {
		channel signal.Channel
		text    string
		value   float64
		span    float64
	}{
		{signal.AirInletPressure, "5.2 bar", 5.2e5, 5.2e5},
		{signal.AirInletPressure, "-50 mbar", -5000, -5000},
		{signal.AirInletPressure, "0 bar(abs)", -101325, 0},
		{signal.DischargePressure, "100 psi", 689475.729, 689475.729},
		{signal.AmbientTemperature, "20 Cel", 293.15, 20},
		{signal.AmbientTemperature, "50 degF", 283.15, 27.7777778},
		{signal.AirFlow, "60 L/min", 1e-3, 1e-3},
		{signal.StrokeCount, "7", 7, 7},
	} {
		value, err := config.ParseMeasure(c.channel, c.text)
		if err != nil || math.Abs(value-c.value) > 1e-6*(1+math.Abs(c.value)) {
			t.Errorf("%s as a %v is %g, %v; want %g", c.text, c.channel, value, err, c.value)
		}
		span, err := config.ParseSpan(c.channel, c.text)
		if err != nil || math.Abs(span-c.span) > 1e-6*(1+math.Abs(c.span)) {
			t.Errorf("%s as a difference of a %v is %g, %v; want %g", c.text, c.channel, span, err, c.span)
		}
	}
	for _, c := range []struct {
		channel signal.Channel
		text    string
		want    string
	}{
		{signal.AirInletPressure, "5.2", "has no unit; a pressure takes Pa"},
		{signal.AirInletPressure, "5,2 bar", "does not begin with a number"},
		{signal.AirInletPressure, "", "does not begin with a number"},
		{signal.AirInletPressure, "1e999 bar", "too large"},
		{signal.AirInletPressure, "3 Cel", "unit of temperature"},
		{signal.AirInletPressure, "4 mA", "not known"},
		{signal.StrokeEdge, "3 s", "stroke_edge has no unit"},
	} {
		if _, err := config.ParseMeasure(c.channel, c.text); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q as a %v gives %v, want %q in it", c.text, c.channel, err, c.want)
		}
	}
}

// Another file is read as strictly as the configuration, and all its problems are told at once.
func TestDecodeStrict(t *testing.T) {
	var f struct {
		Name string  `yaml:"name" jsonschema:"required" jsonschema_description:"what it is called"`
		Size float64 `yaml:"size"`
	}
	s := config.DecodeStrict("f.yaml", []byte("nam: x\nsize: big\n"), &f)
	s.Fail("size", "is never told twice")
	s.Fail("", "must have a point")
	invalid, ok := errors.AsType[*config.InvalidError](s.Err())
	if !ok {
		t.Fatalf("got %v", s.Err())
	}
	want := "f.yaml:1:1: must have a point\nf.yaml:1:1: nam: key \"nam\" is not known; did you mean \"name\"? allowed are name, size\n" +
		"f.yaml:2:7: size: must be a number, not text"
	if invalid.Error() != want {
		t.Errorf("got\n%s\nwant\n%s", invalid, want)
	}
	if s := config.DecodeStrict("f.yaml", []byte("name: x\n"), &f); s.Err() != nil || !s.Has("name") || s.Has("size") || f.Name != "x" {
		t.Errorf("%+v, %v", f, s.Err())
	}
}
