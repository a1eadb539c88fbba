// Package discover listens to a broker and proposes a configuration: which topics carry what, in which format, and which of
// them belong to one pump. What it concludes from names and numbers is a guess, and it says so.
package discover

import (
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/sparkplug"
)

// The limits of what is looked at, so that a busy broker costs no more than this.
const (
	mostSignals  = 20000
	mostPayload  = 1 << 20
	mostPointers = 400 // values in one JSON document
)

// Survey is what was heard. It is one goroutine's.
type Survey struct {
	signals map[key]*signalSeen
	order   []key
	host    *sparkplug.Host
	hosts   map[string]bool // Sparkplug hosts by their state
	// ununderstood counts the messages of topics that nothing could be made of.
	ununderstood map[string]int
	messages     int
	full         bool
}

// key is where a signal is found: a topic, and a pointer or a name in its payload.
type key struct {
	topic    string
	format   config.Format
	selector string
}

// New is a survey that has heard nothing.
func New() *Survey {
	return &Survey{signals: map[key]*signalSeen{}, host: sparkplug.NewHost(), hosts: map[string]bool{}, ununderstood: map[string]int{}}
}

// Requests are messages to publish since the last call: edge nodes that tell their names in births only are asked for them.
func (s *Survey) Requests() []sparkplug.Request { return s.host.Requests() }

// Messages is how many messages were heard.
func (s *Survey) Messages() int { return s.messages }

// Take looks at one message.
func (s *Survey) Take(m intake.Message) {
	if m.Topic == "" || strings.HasPrefix(m.Topic, "$") || strings.ContainsAny(m.Topic, "+#") || m.Retained && len(m.Payload) == 0 {
		return // no topic that is published, the broker's own, or a retained message that was cleared
	}
	s.messages++
	if len(m.Payload) > mostPayload || !s.read(m) {
		if len(s.ununderstood) < mostSignals {
			s.ununderstood[m.Topic]++
		}
	}
}

// at finds the signal at a place, or begins one. It is nil where there are too many.
func (s *Survey) at(k key) *signalSeen {
	x := s.signals[k]
	if x == nil {
		if strings.ContainsFunc(k.topic+k.selector, unicode.IsControl) || !utf8.ValidString(k.topic+k.selector) {
			return nil // no configuration can name it
		}
		if len(s.signals) >= mostSignals {
			s.full = true
			return nil
		}
		x = &signalSeen{key: k, texts: map[string]int{}}
		s.signals[k] = x
		s.order = append(s.order, k)
	}
	return x
}

// read takes the values out of a message and tells whether there were any.
func (s *Survey) read(m intake.Message) bool {
	if strings.HasPrefix(m.Topic, sparkplug.Namespace+"/") {
		return s.readSparkplug(m)
	}
	text := strings.TrimSpace(string(m.Payload))
	if v, err := strconv.ParseFloat(text, 64); err == nil && !strings.ContainsAny(text, "xXpP_iIn") {
		if x := s.at(key{topic: m.Topic, format: config.FormatNumber}); x != nil {
			x.message(m)
			x.number(m.Arrival, v)
		}
		return true
	}
	if text == "true" || text == "false" {
		if x := s.at(key{topic: m.Topic, format: config.FormatNumber}); x != nil {
			x.message(m)
			x.truth(m.Arrival, text == "true")
		}
		return true
	}
	if s.readSenML(m) || s.readJSON(m) {
		return true
	}
	if isWord(text) {
		if x := s.at(key{topic: m.Topic, format: config.FormatNumber}); x != nil {
			x.message(m)
			x.word(m.Arrival, text)
		}
		return true
	}
	return false
}

// isWord tells text that may name a state, such as CIP or Cleaning in place.
func isWord(text string) bool {
	if text == "" || len(text) > 40 {
		return false
	}
	for _, r := range text {
		if (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && !strings.ContainsRune(" -_./", r) {
			return false
		}
	}
	return true
}

// readSparkplug follows the births and data of every node that is heard.
func (s *Survey) readSparkplug(m intake.Message) bool {
	t, err := sparkplug.ParseTopic(m.Topic)
	if err != nil {
		return false
	}
	if t.Type == sparkplug.State {
		if st, err := sparkplug.DecodeState(m.Payload); err == nil {
			s.hosts[t.Host] = st.Online
		}
		return true
	}
	s.host.Watch(t)
	u, err := s.host.Take(t, m.Payload, m.Arrival)
	data := sparkplug.Topic{Group: t.Group, Type: sparkplug.NodeData, Node: t.Node, Device: t.Device}
	if t.Device != "" {
		data.Type = sparkplug.DeviceData
	}
	for i := range u.Metrics {
		x := &u.Metrics[i]
		if isBookkeeping(x.Name) {
			continue
		}
		seen := s.at(key{data.String(), config.FormatSparkplugB, x.Name})
		if seen == nil {
			continue
		}
		if !u.Birth {
			seen.message(m)
		}
		seen.metric(x, u.Birth, m.Arrival)
	}
	return err == nil || len(u.Metrics) > 0
}

// isBookkeeping tells the metrics that are about the node itself.
func isBookkeeping(name string) bool {
	return name == "bdSeq" || strings.HasPrefix(name, "Node Control/") || strings.HasPrefix(name, "Node Info/") ||
		strings.HasPrefix(name, "Device Control/") || strings.HasPrefix(name, "Properties/")
}

// moment is a time of a sample, whole nanoseconds since 1970.
func moment(t time.Time) int64 { return t.UnixNano() }
