package payload

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"
)

// decodeJSON picks one value, and its time where one is configured, out of any JSON document.
func (c *Codec) decodeJSON(dst []float64, payload []byte, arrival time.Time) (time.Time, []float64, *Error) {
	doc, bad := parseJSON(payload)
	if bad != nil {
		return time.Time{}, nil, bad
	}
	at := arrival
	if c.hasTime {
		node, bad := c.time.find(doc)
		if bad != nil {
			return time.Time{}, nil, bad
		}
		if at, bad = c.timeOf(node); bad != nil {
			return time.Time{}, nil, bad
		}
	}
	node, bad := c.value.find(doc)
	if bad != nil {
		return time.Time{}, nil, bad
	}
	v, bad := c.valueOf(node)
	if bad != nil {
		return time.Time{}, nil, bad
	}
	return at, append(dst[:0], v), nil
}

// parseJSON decodes one document with numbers kept as text, and nothing after it.
func parseJSON(payload []byte) (any, *Error) {
	d := json.NewDecoder(bytes.NewReader(payload))
	d.UseNumber()
	var doc any
	if err := d.Decode(&doc); err != nil {
		return nil, syntaxError(err, payload)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, refuse(Syntax, "something follows the JSON document at byte %d; allowed is one document", d.InputOffset())
	}
	return doc, nil
}

// syntaxError says where a payload stops being JSON.
func syntaxError(err error, payload []byte) *Error {
	where := ""
	if s, ok := errors.AsType[*json.SyntaxError](err); ok {
		where = fmt.Sprintf(" at byte %d", s.Offset)
	}
	return refuse(Syntax, "%s is not JSON%s: %v", excerpt(payload), where, err)
}

// valueOf reads a number, a number as text, or for a contact true and false.
func (c *Codec) valueOf(node any) (float64, *Error) {
	where := c.value.upTo(len(c.value.tokens))
	var text string
	switch n := node.(type) {
	case json.Number:
		text = n.String()
	case string:
		text = n
	case bool:
		text = fmt.Sprint(n)
	default:
		return 0, refuse(NotANumber, "%s is %s; allowed is a number", where, kindOf(node))
	}
	v, bad := c.parse([]byte(text))
	if bad != nil {
		bad.Text = where + ": " + bad.Text
	}
	return v, bad
}

// timeOf reads a time as the configuration says: RFC 3339, or a number of units since 1970.
func (c *Codec) timeOf(node any) (time.Time, *Error) {
	where := c.time.upTo(len(c.time.tokens))
	var text string
	switch n := node.(type) {
	case json.Number:
		text = n.String()
	case string:
		text = n
	default:
		return time.Time{}, refuse(Syntax, "%s is %s; allowed is a time", where, kindOf(node))
	}
	if c.timeUnit == "" {
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			return t, refuse(Syntax, "%s: %s is not an RFC 3339 time such as 2026-03-01T00:00:00Z; "+
				"for a number set time_unit", where, excerpt([]byte(text)))
		}
		return t, nil
	}
	d, n := scanDecimal([]byte(text), plainText)
	if n == 0 || n < len(text) {
		return time.Time{}, refuse(Syntax, "%s: %s is not a number of %s since 1970", where, excerpt([]byte(text)), c.timeUnit)
	}
	ns, ok := d.scaled(c.unitExponent)
	if !ok {
		return time.Time{}, refuse(Clock, "%s: %s %s since 1970 is further than a time can reach", where, excerpt([]byte(text)), c.timeUnit)
	}
	return time.Unix(0, ns), nil
}

// unitExponent is the power of ten that turns an epoch unit into nanoseconds.
func unitExponent(unit string) (int, error) {
	switch unit {
	case "s":
		return 9, nil
	case "ms":
		return 6, nil
	case "us":
		return 3, nil
	case "ns", "":
		return 0, nil
	}
	return 0, fmt.Errorf("time_unit %q is not known; allowed are s, ms, us and ns", unit)
}

// kindOf names what a decoded JSON value is.
func kindOf(node any) string {
	switch node.(type) {
	case nil:
		return "null"
	case bool:
		return "true or false"
	case json.Number:
		return "a number"
	case string:
		return "text"
	case []any:
		return "a list"
	default:
		return "an object"
	}
}
