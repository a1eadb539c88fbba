// Package intake takes MQTT messages in and makes settled samples of them: session, payload formats,
// reorder window, recordings.
package intake

import (
	"strings"
	"time"
)

// Message is one MQTT message as it arrived.
type Message struct {
	Arrival time.Time
	Topic   string
	Payload []byte
	// Retained marks a message that the broker had kept from before the subscription.
	Retained bool
}

// ConnectedTopic is the topic of a message that no broker sends (MQTT 3.1.1, 4.7.2): the session puts it before the first
// message of each connection, because what was published in between was missed. A recording keeps it, so that a replay
// knows too.
const ConnectedTopic = "$diastole/connected"

// Matches tells whether a topic is one of a filter, whose levels may be + and whose last one # (MQTT 3.1.1, 4.7.1 and 4.7.2).
func Matches(filter, topic string) bool {
	if strings.HasPrefix(topic, "$") != strings.HasPrefix(filter, "$") {
		return false
	}
	for {
		if filter == "#" {
			return true
		}
		f, restFilter, moreFilter := strings.Cut(filter, "/")
		t, restTopic, moreTopic := strings.Cut(topic, "/")
		switch {
		case f != "+" && f != t:
			return false
		case restFilter == "#": // also the level above it
			return true
		case moreFilter != moreTopic:
			return false
		case !moreFilter:
			return true
		}
		filter, topic = restFilter, restTopic
	}
}
