package discover

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
)

// readSenML takes a pack of RFC 8428 in JSON or CBOR.
func (s *Survey) readSenML(m intake.Message) bool {
	records, err := payload.ReadSenML(m.Payload, m.Arrival)
	if err != nil || len(records) == 0 {
		return false
	}
	type series struct {
		at     []time.Time
		values []float64
	}
	rows := map[string]*series{}
	for _, r := range records {
		x := s.at(key{m.Topic, config.FormatSenML, r.Name})
		if x == nil {
			return true
		}
		if r.Unit != "" {
			x.unit = r.Unit
		}
		if rows[r.Name] == nil {
			x.message(m)
			rows[r.Name] = &series{}
		}
		switch r.Kind {
		case "vs":
			x.word(r.Time, r.Text)
		case "vb":
			x.truth(r.Time, r.Truth)
		default:
			rows[r.Name].at = append(rows[r.Name].at, r.Time)
			rows[r.Name].values = append(rows[r.Name].values, r.Number)
			x.sample(r.Time, r.Number)
		}
	}
	for name, row := range rows {
		// A burst of evenly spaced records is a waveform.
		if n := len(row.at); n >= 10 {
			x := s.signals[key{m.Topic, config.FormatSenML, name}]
			if step := row.at[n-1].Sub(row.at[0]) / time.Duration(n-1); step > 0 && step < time.Second/4 {
				x.step, x.block = step, n
			}
		}
	}
	return true
}

// readJSON takes any JSON document: a waveform, edges, or whatever leaves it has.
func (s *Survey) readJSON(m intake.Message) bool {
	d := json.NewDecoder(bytes.NewReader(m.Payload))
	d.UseNumber()
	var doc any
	if d.Decode(&doc) != nil {
		return false
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return false
	}
	if o, ok := doc.(map[string]any); ok && (s.readWaveform(m, o) || s.readEdges(m, o)) {
		return true
	}
	w := walker{survey: s, m: m, left: mostPointers}
	w.walk(doc, nil, w.header(doc))
	return w.found > 0
}

func (s *Survey) readWaveform(m intake.Message, o map[string]any) bool {
	text, _ := o["t"].(string)
	list, _ := o["v"].([]any)
	start, err := time.Parse(time.RFC3339, text)
	dt, ok := asNumber(o["dt"])
	if err != nil || !ok || dt <= 0 || len(list) == 0 {
		return false
	}
	values := make([]float64, 0, len(list))
	for _, e := range list {
		v, ok := asNumber(e)
		if !ok {
			return false
		}
		values = append(values, v)
	}
	if x := s.at(key{topic: m.Topic, format: config.FormatWaveform}); x != nil {
		x.message(m)
		x.wave(start, time.Duration(dt*1e9), values)
	}
	return true
}

func (s *Survey) readEdges(m intake.Message, o map[string]any) bool {
	list, ok := o["t"].([]any)
	if !ok || len(list) == 0 || o["v"] != nil {
		return false
	}
	var times []time.Time
	for _, e := range list {
		t, ok := asTime(e, m.Arrival)
		if !ok {
			return false
		}
		times = append(times, t.at)
	}
	if x := s.at(key{topic: m.Topic, format: config.FormatEdges}); x != nil {
		x.message(m)
		x.edges = true
		for _, t := range times {
			x.sample(t, 0)
		}
	}
	return true
}

func asNumber(v any) (float64, bool) {
	n, ok := v.(json.Number)
	if !ok {
		return 0, false
	}
	f, err := strconv.ParseFloat(n.String(), 64)
	return f, err == nil
}

// walker finds the values of a document and the times that belong to them.
type walker struct {
	survey      *Survey
	m           intake.Message
	left, found int
}

// place is where the nearest time stands.
type place struct {
	pointer string
	timed
}

// header is the time of a document that stands beside its values, such as in {"header": {"ts": ...}, "tags": {...}}.
func (w *walker) header(doc any) *place {
	o, _ := doc.(map[string]any)
	for _, outer := range slices.Sorted(maps.Keys(o)) {
		inner, _ := o[outer].(map[string]any)
		for _, name := range slices.Sorted(maps.Keys(inner)) {
			if t, ok := asTime(inner[name], w.m.Arrival); ok && isTimeName(name) {
				return &place{pointer([]string{outer, name}), t}
			}
		}
	}
	return nil
}

// walk goes through a value at a path. The time of a value is that of the nearest object around it.
func (w *walker) walk(v any, path []string, around *place) {
	if w.left == 0 {
		return
	}
	switch x := v.(type) {
	case map[string]any:
		names := slices.Sorted(maps.Keys(x))
		times := map[string]bool{}
		for _, name := range names {
			if t, ok := asTime(x[name], w.m.Arrival); ok && isTimeName(name) {
				times[name] = true
				if len(times) == 1 {
					around = &place{pointer(append(path, name)), t}
				}
			}
		}
		unit, _ := unitBeside(x)
		for _, name := range names {
			if !times[name] {
				w.child(x[name], append(path, name), around, unit)
			}
		}
	case []any:
		for i, e := range x {
			w.child(e, append(path, strconv.Itoa(i)), around, "")
		}
	default:
		w.child(v, path, around, "")
	}
}

// child takes a leaf, or goes on into a list or object.
func (w *walker) child(v any, path []string, around *place, unit string) {
	switch v.(type) {
	case map[string]any, []any:
		w.walk(v, slices.Clone(path), around)
		return
	case nil:
		return
	}
	number, isNumber := asNumber(v)
	truth, isTruth := v.(bool)
	text, isText := v.(string)
	if isText {
		if f, err := strconv.ParseFloat(text, 64); err == nil {
			number, isNumber = f, true
		}
	}
	isState := isText && isWord(text) && isStateName(path)
	if !isNumber && !isTruth && !isState {
		return
	}
	w.left--
	x := w.survey.at(key{w.m.Topic, config.FormatJSON, pointer(path)})
	if x == nil {
		return
	}
	w.found++
	at := w.m.Arrival
	if around != nil {
		at, x.timePointer, x.timeUnit = around.at, around.pointer, around.unit
	}
	if unit != "" {
		x.unit = unit
	}
	x.message(w.m)
	switch {
	case x.n > 0 && around != nil && moment(at) == x.lastAt:
		x.repeats++ // the same reading once more: the controller repeats what it has
	case isNumber:
		x.sample(at, number)
	case isTruth:
		x.truth(at, truth)
	default:
		x.word(at, text)
	}
}

// unitBeside is the unit that an object states of its value, such as {"value": 4.8, "unit": "bar"}.
func unitBeside(o map[string]any) (string, bool) {
	for _, name := range []string{"unit", "units", "uom", "engUnit"} {
		if u, ok := o[name].(string); ok {
			return u, true
		}
	}
	return "", false
}

// pointer writes a path as RFC 6901 does.
func pointer(path []string) string {
	escape := strings.NewReplacer("~", "~0", "/", "~1")
	var b strings.Builder
	for _, token := range path {
		b.WriteByte('/')
		b.WriteString(escape.Replace(token))
	}
	return b.String()
}

func isStateName(path []string) bool {
	for _, token := range words(path...) {
		switch token {
		case "mode", "state", "status", "service", "phase", "operation":
			return true
		}
	}
	return false
}
