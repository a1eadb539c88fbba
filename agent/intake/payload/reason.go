package payload

import (
	"fmt"
	"strconv"
	"strings"
)

// Reason is why a payload was refused. The set is closed, so that it can label a metric.
type Reason string

// The reasons, in the order in which a payload is looked at.
const (
	// Empty: no bytes, or a waveform without values.
	Empty Reason = "empty"
	// TooLarge: more than MaxSize bytes.
	TooLarge Reason = "too-large"
	// Syntax: not what the format asks for: no JSON, or JSON of another shape.
	Syntax Reason = "syntax"
	// Missing: a field or pointer target is absent.
	Missing Reason = "missing"
	// NotANumber: a value is null, text, NaN, a list or too large for a float64.
	NotANumber Reason = "not-a-number"
	// Spacing: the time between samples is zero, negative or absurd.
	Spacing Reason = "spacing"
	// Clock: a time that no sensor with a set clock can have given.
	Clock Reason = "clock"
	// OutOfRange: the raw number lies outside what the sensor can give, which is a sensor fault.
	OutOfRange Reason = "out-of-range"
	// Unit: the payload says another unit than the configuration.
	Unit Reason = "unit"
	// Unmapped: a text that the configuration's states do not name.
	Unmapped Reason = "unmapped"
	// Quality: the sender itself says that the value is bad, or that there is none.
	Quality Reason = "quality"
	// Sequence: a message whose meaning is not known because an earlier one is missing.
	Sequence Reason = "sequence"
)

// Reasons lists all reasons in their documented order.
func Reasons() []Reason {
	return []Reason{Empty, TooLarge, Syntax, Missing, NotANumber, Spacing, Clock, OutOfRange, Unit, Unmapped, Quality, Sequence}
}

// Error says why a payload was refused, where in it, and what is allowed there.
type Error struct {
	Reason Reason
	Text   string
}

// Error is the text alone; the reason is for programs.
func (e *Error) Error() string { return e.Text }

// in says where in the payload it was.
func (e *Error) in(format string, args ...any) *Error {
	e.Text = fmt.Sprintf(format, args...) + ": " + e.Text
	return e
}

func refuse(r Reason, format string, args ...any) *Error {
	return &Error{Reason: r, Text: fmt.Sprintf(format, args...)}
}

// excerpt quotes the beginning of b, so that an error stays one short line whatever was sent.
func excerpt(b []byte) string {
	const most = 40
	if len(b) <= most {
		return strconv.Quote(string(b))
	}
	return strconv.Quote(string(b[:most])) + "..."
}

// excerptJSON is the beginning of a JSON value as it stands, so that null and "null" look different.
func excerptJSON(raw []byte) string {
	const most = 40
	s := strings.Join(strings.Fields(string(raw)), " ")
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "..."
	}
	return s
}
