package config

import (
	"fmt"
	"strconv"
	"strings"

	"diastole/detect/signal"
)

// Strict is another YAML file that is read as strictly as the configuration: an unknown, repeated or missing
// key, a value of the wrong kind and a value that its reader refuses are problems with line and column, and
// all of them are told at once.
//
// The file is a struct of structs, maps by text, slices, pointers, text, numbers (float64, int64) and truth
// values. The tag yaml names a key, the tag jsonschema:"required" asks for it, and jsonschema_description says
// in words what it is.
type Strict struct{ doc *document }

// DecodeStrict reads data, the content of a file called name, into the struct that target points to. What is
// wrong keeps its zero value and is part of Err.
func DecodeStrict(name string, data []byte, target any) *Strict {
	return &Strict{decode(name, data, target)}
}

// Fail reports that the value at path, such as "pumps[0].id", is wrong; a value is reported once. A key that is
// absent is reported where its nearest parent stands.
func (s *Strict) Fail(path, format string, args ...any) { s.doc.fail(path, format, args...) }

// Has reports whether the key at path is present, be its value right or wrong.
func (s *Strict) Has(path string) bool { return s.doc.has(path) }

// Err is nil or an *InvalidError with all problems so far, from the top of the file.
func (s *Strict) Err() error {
	if len(s.doc.problems) == 0 {
		return nil
	}
	sortProblems(s.doc.problems)
	return &InvalidError{s.doc.problems}
}

// UnitText is text in a file that must carry its unit. A bare number there is refused with what NeedsUnit says,
// such as "bar, such as 5.2 bar".
type UnitText interface{ NeedsUnit() string }

// NeedsUnit implements UnitText.
func (durationText) NeedsUnit() string { return "h, m or s, such as 100h" }

// ParseMeasure reads a number and its unit, such as "5.2 bar", as a value of a channel in SI. The error says
// what is wrong and which units are allowed.
func ParseMeasure(c signal.Channel, text string) (float64, error) {
	return parseMeasure(c, text, false)
}

// ParseSpan is ParseMeasure for a difference between two values: 1 K, 1 Cel and 1.8 degF are the same.
func ParseSpan(c signal.Channel, text string) (float64, error) { return parseMeasure(c, text, true) }

func parseMeasure(c signal.Channel, text string, span bool) (float64, error) {
	q := quantityOf(c)
	if len(q.units) == 0 {
		return 0, fmt.Errorf("channel %s has no unit", c)
	}
	first, code, _ := strings.Cut(text, " ")
	if !coreNumber.MatchString(first) {
		return 0, fmt.Errorf("%q does not begin with a number; a %s is written as 1.5 %s", text, q.name, q.units[0].code)
	}
	v, err := strconv.ParseFloat(first, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is too large for a number", first)
	}
	if code == "" && q.name == dimensionless.name {
		return v, nil
	}
	q.current = false // this is a value, not a signal
	if code == "" {
		return 0, fmt.Errorf("%q has no unit; a %s takes %s", text, q.name, q.allowed())
	}
	unit, err := q.parse(strings.TrimSpace(code))
	if err != nil {
		return 0, err
	}
	if span {
		unit.offset = 0
	}
	return v*unit.factor + unit.offset, nil
}

// CheckName tells why text cannot name a site or a pump, which becomes a topic level and a tag.
func CheckName(text string) error { return checkName(text) }
