package payload

import (
	"encoding/json"
	"errors"
	"math"
	"strconv"
	"time"

	"diastole/detect/signal"
)

const edgesForm = `{"t": [RFC 3339 times or seconds since 1970]}`

// mostEdges is how many times one payload may hold: an hour of the fastest small pump.
const mostEdges = 1 << 15

func chunkAt(at time.Time) signal.Chunk { return signal.Chunk{Start: at} }

// decodeEdges reads {"t":["2026-03-01T00:00:00.25Z", 1772323201.5]}: the moments at which a switch closed. Each becomes a
// chunk of its own, whose Start is the time and whose one value is zero.
func (s *Samples) decodeEdges(payload []byte) *Error {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(payload, &members); err != nil {
		if wrongType, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
			return refuse(Syntax, "the payload is a JSON %s; allowed is %s", wrongType.Value, edgesForm)
		}
		return syntaxError(err, payload)
	}
	raw, ok := members["t"]
	if !ok {
		return refuse(Missing, "there is no %q; allowed is %s", "t", edgesForm)
	}
	var list []json.RawMessage
	if raw[0] != '[' || json.Unmarshal(raw, &list) != nil {
		return refuse(Syntax, "t: %s is not a list; allowed is %s", excerptJSON(raw), edgesForm)
	}
	switch {
	case len(list) == 0:
		return refuse(Empty, "t has no times")
	case len(list) > mostEdges:
		return refuse(TooLarge, "t has %d times; allowed are %d", len(list), mostEdges)
	}
	s.begin()
	for i, element := range list {
		at, bad := edgeTime(element)
		if bad != nil {
			bad.Text = "t[" + strconv.Itoa(i) + "]: " + bad.Text
			return bad
		}
		s.add(at, 0)
	}
	for i := range s.chunks {
		s.chunks[i].Values = s.values[i : i+1 : i+1]
	}
	return nil
}

// edgeTime reads an RFC 3339 time, or a number of seconds since 1970 to the nanosecond.
func edgeTime(raw json.RawMessage) (time.Time, *Error) {
	if raw[0] == '"' {
		var t time.Time
		var text string
		if json.Unmarshal(raw, &text) == nil && t.UnmarshalText([]byte(text)) == nil {
			return t, nil
		}
		return t, refuse(Syntax, "%s is not an RFC 3339 time such as \"2026-03-01T00:00:00Z\"", excerptJSON(raw))
	}
	d, n := scanDecimal(raw, jsonNumber)
	if n == 0 || n < len(raw) {
		return time.Time{}, refuse(NotANumber, "%s is no time; allowed are RFC 3339 in quotes and seconds since 1970", excerptJSON(raw))
	}
	ns, ok := d.scaled(9)
	if !ok {
		return time.Time{}, refuse(Clock, "%s s since 1970 is further than a time can reach", excerptJSON(raw))
	}
	return time.Unix(0, ns), nil
}

// nanoseconds is a time of seconds since 1970 that a float64 holds, to the microsecond that it resolves.
func nanoseconds(seconds float64) (int64, bool) {
	const limit = 9.2e9 // s: the year 2261
	if !(math.Abs(seconds) < limit) {
		return 0, false
	}
	whole := math.Floor(seconds)
	return int64(whole)*1e9 + int64(math.Round((seconds-whole)*1e6))*1e3, true
}
