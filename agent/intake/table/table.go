// Package table reads a historian's export, a CSV of times and values, into messages of a channel, as if they had come when they
// were measured.
package table

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"diastole/agent/intake"
	"diastole/detect/signal"
)

// Options say how a table is written.
type Options struct {
	Pump    string
	Channel signal.Channel
	// Time and Value are the columns, by their header or by their number from 1; empty: the first two.
	Time, Value string
	// Zone is that of times that do not carry their own; nil: each must.
	Zone *time.Location
	// DecimalComma is true where a comma parts whole and fraction.
	DecimalComma bool
	// MonthFirst and DayFirst say how a date with strokes, such as 3/4/2026, is meant; with neither it is refused.
	MonthFirst, DayFirst bool
}

// Summary is what was in a table.
type Summary struct {
	Rows, Bad   int64
	First, Last time.Time
	// Longest is the longest gap, which ended at LongestEnd; Usual the usual spacing.
	Longest    time.Duration
	LongestEnd time.Time
	Usual      time.Duration
	Min, Max   float64
}

// RowError is a row that cannot be read. The others can.
type RowError struct {
	Line int
	Err  error
}

// Error names the line.
func (e *RowError) Error() string { return fmt.Sprintf("line %d: %v", e.Line, e.Err) }

// Unwrap is what is wrong with the row.
func (e *RowError) Unwrap() error { return e.Err }

// Read gives the rows of a table to sink as messages in order of time, and the rows that it cannot read to bad. The error is one of
// the table as a whole, of r or of sink.
func Read(r io.Reader, o Options, sink func(intake.Message) error, bad func(*RowError)) (Summary, error) {
	in := bufio.NewReader(r)
	if mark, err := in.Peek(3); err == nil && string(mark) == "\xef\xbb\xbf" {
		_, _ = in.Discard(3) // the byte order mark, which was there
	}
	separator, err := separatorOf(in)
	if err != nil {
		return Summary{}, err
	}
	rows := csv.NewReader(in)
	rows.Comma, rows.FieldsPerRecord, rows.LazyQuotes, rows.ReuseRecord = separator, -1, true, true
	t := reader{o: o, sum: Summary{Min: math.Inf(1), Max: math.Inf(-1)}}
	for {
		record, err := rows.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if syntax, ok := errors.AsType[*csv.ParseError](err); ok {
			t.sum.Bad++
			bad(&RowError{syntax.Line, syntax.Err})
			continue
		}
		if err != nil {
			return t.sum, fmt.Errorf("read the table: %w", err)
		}
		line, _ := rows.FieldPos(0)
		if !t.columns {
			header, err := t.begin(record)
			if err != nil {
				return t.sum, fmt.Errorf("line %d: %w", line, err)
			}
			if header {
				continue
			}
		}
		m, err := t.row(record)
		if err != nil {
			t.sum.Bad++
			bad(&RowError{line, err})
			continue
		}
		if err := sink(m); err != nil {
			return t.sum, err
		}
	}
	t.end()
	return t.sum, nil
}

// separatorOf looks at the first line: what stands in it most often of semicolon, tab and comma.
func separatorOf(in *bufio.Reader) (rune, error) {
	head, err := in.Peek(4096)
	if len(head) == 0 {
		if errors.Is(err, io.EOF) {
			return 0, errors.New("the table is empty")
		}
		return 0, fmt.Errorf("read the table: %w", err)
	}
	first, _, _ := strings.Cut(string(head), "\n")
	for _, c := range []rune{';', '\t'} {
		if strings.ContainsRune(first, c) {
			return c, nil
		}
	}
	return ',', nil
}

// reader is one pass over a table.
type reader struct {
	o           Options
	columns     bool
	time, value int
	last        time.Time
	gaps        []time.Duration // the first ones, of which the usual one is taken
	sum         Summary
	topic       string
	payload     []byte
}

// gapsKept is of how many rows the usual spacing is taken.
const gapsKept = 10001

// begin finds the columns in the first row, and tells whether it is a header.
func (t *reader) begin(first []string) (header bool, err error) {
	t.topic = intake.ImportTopic(t.o.Pump, t.o.Channel)
	find := func(what, name string, fallback int) (int, error) {
		if name == "" {
			if fallback >= len(first) {
				return 0, fmt.Errorf("there is one column, %q; a table has one of times and one of values", first[0])
			}
			return fallback, nil
		}
		if i := slices.IndexFunc(first, func(h string) bool { return strings.EqualFold(strings.TrimSpace(h), name) }); i >= 0 {
			header = true
			return i, nil
		}
		if n, err := strconv.Atoi(name); err == nil && n >= 1 && n <= len(first) {
			return n - 1, nil
		}
		return 0, fmt.Errorf("there is no column %q for the %s; there are %q, or numbers from 1 to %d", name, what, first, len(first))
	}
	if t.time, err = find("time", t.o.Time, 0); err != nil {
		return false, err
	}
	next := 1
	if t.time == 1 {
		next = 0
	}
	if t.value, err = find("value", t.o.Value, next); err != nil {
		return false, err
	}
	t.columns = true
	if !header {
		_, err := t.moment(first[t.time])
		header = err != nil && !strings.ContainsAny(first[t.time], "0123456789")
	}
	return header, nil
}

// row makes a message of a row.
func (t *reader) row(record []string) (intake.Message, error) {
	if n := max(t.time, t.value); n >= len(record) {
		return intake.Message{}, fmt.Errorf("there are %d columns; the row needs %d", len(record), n+1)
	}
	at, err := t.moment(record[t.time])
	if err != nil {
		return intake.Message{}, err
	}
	v, err := t.number(record[t.value])
	if err != nil {
		return intake.Message{}, err
	}
	if !t.last.IsZero() && !at.After(t.last) {
		return intake.Message{}, fmt.Errorf("%s is not after the row before, %s; rows come in order of time", at.Format(time.RFC3339Nano), t.last.Format(time.RFC3339Nano))
	}
	t.note(at, v)
	t.payload = append(t.payload[:0], `{"t":"`...)
	t.payload = at.AppendFormat(t.payload, time.RFC3339Nano)
	t.payload = append(t.payload, `","v":`...)
	t.payload = append(strconv.AppendFloat(t.payload, v, 'g', -1, 64), '}')
	return intake.Message{Arrival: at, Topic: t.topic, Payload: slices.Clone(t.payload)}, nil
}

func (t *reader) note(at time.Time, v float64) {
	s := &t.sum
	if s.Rows++; s.Rows == 1 {
		s.First = at
	} else {
		gap := at.Sub(t.last)
		if len(t.gaps) < gapsKept {
			t.gaps = append(t.gaps, gap)
		}
		if gap > s.Longest {
			s.Longest, s.LongestEnd = gap, at
		}
	}
	t.last, s.Last = at, at
	s.Min, s.Max = min(s.Min, v), max(s.Max, v)
}

func (t *reader) end() {
	if len(t.gaps) > 0 {
		slices.Sort(t.gaps)
		t.sum.Usual = t.gaps[len(t.gaps)/2]
	}
	if t.sum.Rows == 0 {
		t.sum.Min, t.sum.Max = 0, 0
	}
}

// number reads a value: a decimal, or true and false of a contact.
func (t *reader) number(text string) (float64, error) {
	text = strings.TrimSpace(text)
	switch strings.ToLower(text) {
	case "true", "on":
		return 1, nil
	case "false", "off":
		return 0, nil
	case "":
		return 0, errors.New("the value is empty")
	}
	plain := text
	if t.o.DecimalComma {
		if strings.Contains(plain, ".") {
			return 0, fmt.Errorf("%.40q has a point, and the decimal mark is a comma", text)
		}
		plain = strings.Replace(plain, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(plain, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(plain, "xXpP_") {
		hint := ""
		if strings.Contains(text, ",") && !t.o.DecimalComma {
			hint = "; is its decimal mark a comma?"
		}
		return 0, fmt.Errorf("%.40q is no number%s", text, hint)
	}
	return v, nil
}
