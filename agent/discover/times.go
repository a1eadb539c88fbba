package discover

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"time"
)

// timed is a value that can be a time: when, and in which unit of an epoch; empty is RFC 3339.
type timed struct {
	at   time.Time
	unit string
}

// asTime reads a value as a time near its arrival: within a day, as the decoder will ask.
func asTime(v any, arrival time.Time) (timed, bool) {
	near := func(t time.Time) bool { return arrival.Sub(t).Abs() < 24*time.Hour }
	switch x := v.(type) {
	case string:
		t, err := time.Parse(time.RFC3339, x)
		return timed{at: t}, err == nil && near(t)
	case json.Number:
		f, err := strconv.ParseFloat(x.String(), 64)
		if err != nil {
			return timed{}, false
		}
		for _, u := range []struct {
			name string
			ns   float64
		}{{"s", 1e9}, {"ms", 1e6}, {"us", 1e3}, {"ns", 1}} {
			if ns := f * u.ns; math.Abs(ns) < math.MaxInt64 && near(time.Unix(0, int64(ns))) {
				return timed{time.Unix(0, int64(ns)), u.name}, true
			}
		}
	}
	return timed{}, false
}

// isTimeName tells a name that is used for times.
func isTimeName(name string) bool {
	switch strings.ToLower(name) {
	case "t", "ts", "time", "timestamp", "date", "datetime", "at", "when", "sampled_at", "measured_at", "time_ms", "epoch", "utc":
		return true
	}
	return false
}
