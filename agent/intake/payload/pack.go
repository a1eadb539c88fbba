package payload

import "time"

// Record is one record of a SenML pack with its names and times resolved (RFC 8428, section 4.6). It has one value: a
// number, text or a truth value.
type Record struct {
	Name, Unit string
	Time       time.Time
	Number     float64
	Text       string
	Truth      bool
	// Kind is senmlValue, senmlText or senmlTruth: "v", "vs" or "vb".
	Kind string
}

// ReadSenML lists the records of a pack in JSON or CBOR that have a value, for who does not know their names yet. The error
// is an *Error.
func ReadSenML(body []byte, arrival time.Time) ([]Record, error) {
	if len(body) == 0 || len(body) > MaxSize {
		return nil, refuse(Empty, "the payload has %d bytes; allowed are 1 to %d", len(body), MaxSize)
	}
	records, bad := senmlRecords(body)
	if bad == nil {
		bad = senmlUnderstood(records)
	}
	if bad != nil {
		return nil, bad
	}
	var out []Record
	var base senmlBase
	for i, r := range records {
		if bad := base.set(r); bad != nil {
			return nil, bad.in("record %d", i)
		}
		name, bad := base.resolveName(r)
		if bad != nil {
			return nil, bad.in("record %d", i)
		}
		x := Record{Name: name, Unit: base.unit}
		if own, ok := r[senmlUnit].(string); ok {
			x.Unit = own
		}
		switch v := r[senmlValue].(type) {
		case float64:
			x.Kind, x.Number = senmlValue, base.value+v
		default:
			if text, ok := r[senmlText].(string); ok {
				x.Kind, x.Text = senmlText, text
			} else if truth, ok := r[senmlTruth].(bool); ok {
				x.Kind, x.Truth = senmlTruth, truth
			} else {
				continue
			}
		}
		own, _ := r[senmlTime].(float64)
		if x.Time, bad = senmlMoment(base.time+own, arrival); bad != nil {
			return nil, bad.in("record %d", i)
		}
		out = append(out, x)
	}
	return out, nil
}
