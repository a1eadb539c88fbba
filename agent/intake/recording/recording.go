// Package recording reads and writes MQTT messages as they arrived, one JSON object a line: a recording of
// the field is a test, and a replay gives what the live agent gave.
//
// A line is {"time": RFC 3339 arrival, "topic": "...", "payload": "text"}, with "payload_base64" in place of
// "payload" where the payload is not UTF-8, and with "retained": true on a message that the broker had kept
// from before. Files whose names end in .gz or .zst are compressed.
package recording

import (
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"
	"unicode/utf8"

	"diastole/agent/intake"
)

// line is one message as it stands in a recording. The pointers tell an empty payload from none.
type line struct {
	Time     *time.Time `json:"time"`
	Topic    *string    `json:"topic"`
	Payload  *string    `json:"payload,omitempty"`
	Base64   *[]byte    `json:"payload_base64,omitempty"`
	Retained bool       `json:"retained,omitempty"`
}

// parseLine reads one line without its end. Members that it does not know are ignored.
func parseLine(b []byte) (intake.Message, error) {
	if !utf8.Valid(b) {
		// encoding/json would silently replace the bytes, and the payload would not be what was sent.
		return intake.Message{}, errors.New("the line is not UTF-8; such payloads go into payload_base64")
	}
	var l line
	if err := json.Unmarshal(b, &l); err != nil {
		return intake.Message{}, fmt.Errorf("no message: %w", err)
	}
	switch {
	case l.Time == nil:
		return intake.Message{}, errors.New(`"time" is missing; it is the arrival in RFC 3339`)
	case l.Topic == nil || *l.Topic == "":
		return intake.Message{}, errors.New(`"topic" is missing or empty`)
	case (l.Payload == nil) == (l.Base64 == nil):
		return intake.Message{}, errors.New(`there must be one of "payload" and "payload_base64"`)
	}
	at := l.Time.UTC()
	if at.Year() < 1 || at.Year() > 9999 {
		return intake.Message{}, fmt.Errorf(`"time" lies in the year %d; allowed are 1 to 9999`, at.Year())
	}
	m := intake.Message{Arrival: at, Topic: *l.Topic, Retained: l.Retained}
	if l.Payload != nil {
		m.Payload = []byte(*l.Payload)
	} else {
		m.Payload = *l.Base64
	}
	return m, nil
}

// lineOf is the line of a message. A topic that is not UTF-8 (MQTT 3.1.1, section 4.7.3, forbids it) or a
// time that RFC 3339 cannot write is an error.
func lineOf(m intake.Message) (line, error) {
	if m.Topic == "" || !utf8.ValidString(m.Topic) {
		return line{}, fmt.Errorf("topic %q is empty or not UTF-8", m.Topic)
	}
	at := m.Arrival.Round(0).UTC()
	l := line{Time: &at, Topic: &m.Topic, Retained: m.Retained}
	if utf8.Valid(m.Payload) {
		text := string(m.Payload)
		l.Payload = &text
	} else {
		l.Base64 = &m.Payload
	}
	return l, nil
}

// compression is how a file's bytes are packed.
type compression string

const (
	plain compression = ""
	gz    compression = ".gz"
	zst   compression = ".zst"
)

// compressionOf tells by a file name's ending.
func compressionOf(path string) compression {
	switch c := compression(strings.ToLower(filepath.Ext(path))); c {
	case gz, zst:
		return c
	}
	return plain
}
