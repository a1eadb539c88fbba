package payload

import (
	"errors"
	"math"
	"strings"
	"time"
)

// The field names of SenML that are read here (RFC 8428, sections 4.1 and 4.2). The sum and the update time say nothing
// about a sample.
const (
	senmlBaseName    = "bn"
	senmlBaseTime    = "bt"
	senmlBaseUnit    = "bu"
	senmlBaseValue   = "bv"
	senmlBaseVersion = "bver"
	senmlName        = "n"
	senmlUnit        = "u"
	senmlValue       = "v"
	senmlText        = "vs"
	senmlTruth       = "vb"
	senmlTime        = "t"
)

const (
	// senmlVersion is the version of SenML that is understood (RFC 8428, section 4.4).
	senmlVersion = 10
	// senmlAbsolute is the time in seconds from which on a time is since 1970, below it is relative to now (RFC 8428,
	// section 4.5.3).
	senmlAbsolute = 1 << 28
)

// senmlRecord is one record, its fields by their names in JSON. Numbers are float64, text string, truth bool; all else is
// of another kind and only matters where it is asked for.
type senmlRecord map[string]any

// senmlBase is what base fields have set for the records that follow them.
type senmlBase struct {
	name, unit  string
	time, value float64
}

// decodeSenML reads a pack (RFC 8428) in JSON or, where the first byte says so, in CBOR, and takes the records whose
// resolved name is that of the channel. Records that follow each other evenly become one waveform.
func (c *Codec) decodeSenML(s *Samples, payload []byte, arrival time.Time) *Error {
	records, bad := senmlRecords(payload)
	if bad != nil {
		return bad
	}
	if bad := senmlUnderstood(records); bad != nil {
		return bad
	}
	s.begin()
	var base senmlBase
	var names []string
	for i, r := range records {
		if bad := base.set(r); bad != nil {
			return bad.in("record %d", i)
		}
		name, bad := base.resolveName(r)
		if bad != nil {
			return bad.in("record %d", i)
		}
		if name != c.name {
			names = append(names, name)
			continue
		}
		if bad := c.senmlSample(s, r, &base, arrival); bad != nil {
			return bad.in("record %d", i)
		}
	}
	if len(s.chunks) == 0 {
		return refuse(Missing, "no record named %q has a value; the pack has %s", c.name, list(names))
	}
	s.gather(c.channel)
	return nil
}

// senmlUnderstood refuses a pack that says that it must not be read by who does not know it: a later version, or a field
// that ends with an underscore (RFC 8428, section 4.4).
func senmlUnderstood(records []senmlRecord) *Error {
	for i, r := range records {
		for field, v := range r {
			if field == senmlBaseVersion {
				if n, ok := v.(float64); !ok || n > senmlVersion {
					return refuse(Syntax, "record %d: bver is %v; versions up to %d are understood", i, v, senmlVersion)
				}
			}
		}
	}
	for i, r := range records {
		unknown := ""
		for field := range r {
			if strings.HasSuffix(field, "_") && (unknown == "" || field < unknown) {
				unknown = field
			}
		}
		if unknown != "" {
			return refuse(Syntax, "record %d: the field %s must be understood and is not", i, excerpt([]byte(unknown)))
		}
	}
	return nil
}

// set takes the base fields of a record.
func (b *senmlBase) set(r senmlRecord) *Error {
	for _, f := range []struct {
		field string
		text  *string
		num   *float64
	}{
		{senmlBaseName, &b.name, nil}, {senmlBaseUnit, &b.unit, nil},
		{senmlBaseTime, nil, &b.time}, {senmlBaseValue, nil, &b.value},
	} {
		v, ok := r[f.field]
		if !ok {
			continue
		}
		switch x := v.(type) {
		case string:
			if f.text == nil {
				return refuse(NotANumber, "%s is text; allowed is a number", f.field)
			}
			*f.text = x
		case float64:
			if f.num == nil {
				return refuse(Syntax, "%s is a number; allowed is text", f.field)
			}
			*f.num = x
		default:
			return refuse(Syntax, "%s is %s", f.field, senmlKind(v))
		}
	}
	return nil
}

// resolveName is the base name and the name of a record together (RFC 8428, section 4.5.1).
func (b *senmlBase) resolveName(r senmlRecord) (string, *Error) {
	name := b.name
	if v, ok := r[senmlName]; ok {
		own, isText := v.(string)
		if !isText {
			return "", refuse(Syntax, "n is %s; allowed is text", senmlKind(v))
		}
		name += own
	}
	if !senmlNamed(name) {
		return "", refuse(Syntax, "the name %s is not one of SenML; allowed are letters, digits and - : . / _, a letter or digit first",
			excerpt([]byte(name)))
	}
	return name, nil
}

// senmlNamed tells whether a resolved name has the characters that RFC 8428, section 4.5.1 allows.
func senmlNamed(name string) bool {
	for i := range len(name) {
		ch := name[i]
		letter := 'a' <= ch && ch <= 'z' || 'A' <= ch && ch <= 'Z' || isDigit(ch)
		if !letter && (i == 0 || !strings.ContainsRune("-:./_", rune(ch))) {
			return false
		}
	}
	return name != ""
}

// senmlSample adds the sample of a record whose name has been found. A record without a value, such as one of base fields
// alone or of a sum, adds none.
func (c *Codec) senmlSample(s *Samples, r senmlRecord, b *senmlBase, arrival time.Time) *Error {
	v, ok, bad := c.measured(r, b)
	if bad != nil || !ok {
		return bad
	}
	unit := b.unit
	if own, isText := r[senmlUnit].(string); isText {
		unit = own
	}
	if bad := c.checkUnit(unit); bad != nil {
		return bad
	}
	own, ok := r[senmlTime].(float64)
	if _, given := r[senmlTime]; given && !ok {
		return refuse(Syntax, "t is %s; allowed is a number of seconds", senmlKind(r[senmlTime]))
	}
	at, bad := senmlMoment(b.time+own, arrival)
	if bad != nil {
		return bad
	}
	s.add(at, v)
	return nil
}

// senmlMoment is a time in seconds: since 1970, or where it is small relative to now.
func senmlMoment(seconds float64, arrival time.Time) (time.Time, *Error) {
	switch ns, fits := nanoseconds(seconds); {
	case !fits:
		return time.Time{}, refuse(Clock, "the time %g s is further than a time can reach", seconds)
	case seconds >= senmlAbsolute:
		return time.Unix(0, ns).UTC(), nil
	default:
		return arrival.Add(time.Duration(ns)), nil
	}
}

// measured is what a record tells; ok is false where it has no value.
func (c *Codec) measured(r senmlRecord, b *senmlBase) (v float64, ok bool, bad *Error) {
	_, hasBase := r[senmlBaseValue]
	switch x := r[senmlValue].(type) {
	case float64:
		v, bad = c.number(b.value + x)
		return v, true, bad
	case nil:
		if _, null := r[senmlValue]; null {
			return 0, false, refuse(NotANumber, "v is null; allowed is a number")
		}
	default:
		return 0, false, refuse(NotANumber, "v is %s; allowed is a number", senmlKind(x))
	}
	switch x := r[senmlText].(type) {
	case string:
		v, bad = c.parse([]byte(x))
		return v, true, bad
	case nil:
	default:
		return 0, false, refuse(Syntax, "vs is %s; allowed is text", senmlKind(x))
	}
	switch x := r[senmlTruth].(type) {
	case bool:
		v, bad = c.truth(x)
		return v, true, bad
	case nil:
	default:
		return 0, false, refuse(Syntax, "vb is %s; allowed is true or false", senmlKind(x))
	}
	if hasBase && r[senmlName] != nil {
		// Where only one of base value and value stands, the other is zero (RFC 8428, section 4.5.4).
		v, bad = c.number(b.value)
		return v, true, bad
	}
	return 0, false, nil
}

// senmlUnits are the names of SenML (RFC 8428, section 12.1; RFC 8798) for units of the configuration.
var senmlUnits = map[string]string{
	"Pa": "Pa", "kPa": "kPa", "m3/s": "", "l/s": "L/s", "L/s": "L/s", "m3/h": "m3/h", "Cel": "Cel", "K": "K", "mA": "mA",
	"hPa": "mbar",
}

// checkUnit refuses a unit of a record that is not the configured one. A unit that SenML does not name is believed to be
// what the configuration says.
func (c *Codec) checkUnit(said string) *Error {
	configured, known := senmlUnits[said]
	base, _, _ := strings.Cut(c.unit, "(")
	if !known || c.unit == "" || configured == base {
		return nil
	}
	return refuse(Unit, "the record is in %s, the configuration says %s", said, c.unit)
}

// senmlKind names what a field holds.
func senmlKind(v any) string {
	switch x := v.(type) {
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return "no finite number"
		}
		return "a number"
	case string:
		return "text"
	case bool:
		return "true or false"
	case nil:
		return "null"
	}
	return "of another kind"
}

// list names a few of several names.
func list(names []string) string {
	const most = 8
	if len(names) == 0 {
		return "no others"
	}
	more := ""
	if len(names) > most {
		names, more = names[:most], " and others"
	}
	short := make([]string, len(names))
	for i, n := range names {
		short[i] = excerpt([]byte(n))
	}
	return strings.Join(short, ", ") + more
}

var errNoPack = errors.New("a pack is a list of records")
