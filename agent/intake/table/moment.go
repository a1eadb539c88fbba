package table

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// layouts are the ways of writing a time, with a zone of their own or without.
var (
	zoned   = []string{time.RFC3339, "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04:05 -0700", "2006-01-02 15:04:05 Z07:00"}
	unzoned = []string{"2006-01-02 15:04:05", "2006-01-02T15:04:05", "2006-01-02 15:04", "2006-01-02T15:04", "02.01.2006 15:04:05", "02.01.2006 15:04", "2006/01/02 15:04:05"}
	strokes = []struct {
		layout     string
		monthFirst bool
	}{
		{"1/2/2006 15:04:05", true}, {"1/2/2006 15:04", true}, {"1/2/2006 3:04:05 PM", true},
		{"2/1/2006 15:04:05", false}, {"2/1/2006 15:04", false}, {"2/1/2006 3:04:05 PM", false},
	}
)

// moment reads a time. Fractions of a second may follow the seconds, with a comma or a point.
func (t *reader) moment(text string) (time.Time, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return time.Time{}, errors.New("the time is empty")
	}
	for _, layout := range zoned {
		if at, err := time.Parse(layout, text); err == nil {
			return t.believed(at, text)
		}
	}
	if at, ok := epoch(text); ok {
		return t.believed(at, text)
	}
	for _, layout := range unzoned {
		if at, err := time.ParseInLocation(layout, text, t.zone()); err == nil {
			return t.local(at, text)
		}
	}
	for _, s := range strokes {
		at, err := time.ParseInLocation(s.layout, text, t.zone())
		switch {
		case err != nil:
		case s.monthFirst && t.o.MonthFirst, !s.monthFirst && t.o.DayFirst:
			return t.local(at, text)
		case !t.o.MonthFirst && !t.o.DayFirst:
			return time.Time{}, fmt.Errorf("%.40q may be a day or a month first; say which", text)
		}
	}
	return time.Time{}, fmt.Errorf("%.40q is no time; allowed are 2026-03-09T10:00:00Z, 2026-03-09 10:00:00, 09.03.2026 10:00:00, 3/9/2026 10:00:00 and s or ms since 1970", text)
}

func (t *reader) zone() *time.Location {
	if t.o.Zone == nil {
		return time.UTC
	}
	return t.o.Zone
}

// local is a time without a zone of its own. In the hour that a clock repeats in autumn, the first one is meant until the rows
// go back.
func (t *reader) local(at time.Time, text string) (time.Time, error) {
	if t.o.Zone == nil {
		return time.Time{}, fmt.Errorf("%.40q has no zone; say which one is meant", text)
	}
	const wall = "2006-01-02 15:04:05.999999999"
	same := func(x time.Time) bool { return x.In(t.o.Zone).Format(wall) == at.Format(wall) }
	first, second := at, at
	if earlier := at.Add(-time.Hour); same(earlier) {
		first = earlier
	}
	if later := at.Add(time.Hour); same(later) {
		second = later
	}
	if !first.After(t.last) {
		first = second
	}
	return t.believed(first, text)
}

// believed refuses what no instrument can have written.
func (t *reader) believed(at time.Time, text string) (time.Time, error) {
	if y := at.UTC().Year(); y < 2000 || y > 2200 {
		return time.Time{}, fmt.Errorf("%.40q is in the year %d", text, y)
	}
	return at.UTC(), nil
}

// epoch reads seconds or milliseconds since 1970: of a day of this century they cannot be mistaken for one another.
func epoch(text string) (time.Time, bool) {
	whole, fraction, _ := strings.Cut(text, ".")
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil || n < 0 || len(fraction) > 9 {
		return time.Time{}, false
	}
	switch len(whole) {
	case 13:
		if fraction != "" {
			return time.Time{}, false
		}
		return time.UnixMilli(n), true
	case 9, 10:
		ns, err := strconv.ParseInt((fraction + "000000000")[:9], 10, 64)
		if err != nil {
			return time.Time{}, false
		}
		return time.Unix(n, ns), true
	}
	return time.Time{}, false
}
