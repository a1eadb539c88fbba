// Package intake takes MQTT messages in and makes settled samples of them: session, payload formats,
// reorder window, recordings.
package intake

import "time"

// Message is one MQTT message as it arrived.
type Message struct {
	Arrival time.Time
	Topic   string
	Payload []byte
	// Retained marks a message that the broker had kept from before the subscription.
	Retained bool
}
