package payload

import (
	"encoding/json"
	"errors"
	"math"
	"strconv"
	"time"
)

// The spacing that is believed: a megahertz is more than any transmitter here samples, and more than an
// hour between samples is no waveform.
const (
	shortestStep = time.Microsecond
	longestStep  = time.Hour
)

const waveformForm = `{"t": RFC 3339 time, "dt": seconds, "v": [numbers]}`

// decodeWaveform reads {"t":"...","dt":n,"v":[...]}. The scanner takes the usual form without garbage; what
// it does not take is decided, and explained, by encoding/json.
func decodeWaveform(dst []float64, payload []byte) (time.Time, time.Duration, []float64, *Error) {
	s := scanner{b: payload}
	if start, step, values, ok := s.waveform(dst); ok {
		return start, step, values, nil
	}
	return decodeAnyWaveform(dst, payload)
}

// decodeAnyWaveform takes every legal JSON object with the three members; others are ignored.
func decodeAnyWaveform(dst []float64, payload []byte) (start time.Time, step time.Duration, values []float64, bad *Error) {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(payload, &members); err != nil {
		if wrongType, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
			return start, 0, nil, refuse(Syntax, "the payload is a JSON %s; allowed is %s", wrongType.Value, waveformForm)
		}
		return start, 0, nil, syntaxError(err, payload)
	}
	for _, name := range []string{"t", "dt", "v"} {
		if _, ok := members[name]; !ok {
			return start, 0, nil, refuse(Missing, "there is no %q; allowed is %s", name, waveformForm)
		}
	}
	if start, bad = startOf(members["t"]); bad != nil {
		return start, 0, nil, bad
	}
	if step, bad = stepOf(members["dt"]); bad != nil {
		return start, 0, nil, bad
	}
	values, bad = valuesOf(dst, members["v"])
	return start, step, values, bad
}

func startOf(raw json.RawMessage) (t time.Time, bad *Error) {
	var text string
	if raw[0] == '"' && json.Unmarshal(raw, &text) == nil && t.UnmarshalText([]byte(text)) == nil {
		return t, nil
	}
	return t, refuse(Syntax, "t: %s is not an RFC 3339 time such as \"2026-03-01T00:00:00Z\"", excerptJSON(raw))
}

func stepOf(raw json.RawMessage) (time.Duration, *Error) {
	v, bad := plainNumber(raw)
	if bad != nil {
		bad.Text = "dt: " + bad.Text
		return 0, bad
	}
	step, ok := toStep(v)
	if !ok {
		return 0, refuse(Spacing, "dt is %g s; allowed are %g to %g s", v, shortestStep.Seconds(), longestStep.Seconds())
	}
	return step, nil
}

// toStep rounds a spacing in seconds to nanoseconds.
func toStep(seconds float64) (time.Duration, bool) {
	if !(seconds >= shortestStep.Seconds() && seconds <= longestStep.Seconds()) {
		return 0, false
	}
	return time.Duration(math.Round(seconds * 1e9)), true
}

func valuesOf(dst []float64, raw json.RawMessage) ([]float64, *Error) {
	var list []json.RawMessage
	if raw[0] != '[' || json.Unmarshal(raw, &list) != nil {
		return nil, refuse(Syntax, "v: %s is not a list of numbers", excerptJSON(raw))
	}
	if len(list) == 0 {
		return nil, refuse(Empty, "v has no values")
	}
	dst = dst[:0]
	for i, element := range list {
		v, bad := plainNumber(element)
		if bad != nil {
			bad.Text = "v[" + strconv.Itoa(i) + "]: " + bad.Text
			return nil, bad
		}
		dst = append(dst, v)
	}
	return dst, nil
}

// plainNumber reads a JSON number that is not in quotes.
func plainNumber(raw json.RawMessage) (float64, *Error) {
	if raw[0] != '-' && !isDigit(raw[0]) {
		return 0, refuse(NotANumber, "%s is not a number; allowed are finite numbers without quotes", excerptJSON(raw))
	}
	v, err := strconv.ParseFloat(string(raw), 64)
	if err != nil {
		return 0, refuse(NotANumber, "%s is too large for a float64", excerptJSON(raw))
	}
	return v, nil
}
