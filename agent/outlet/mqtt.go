package outlet

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"diastole/agent/store"
)

// Publisher publishes one MQTT message. It returns nil only when the broker has confirmed it (PUBACK).
type Publisher interface {
	Publish(ctx context.Context, topic string, qos byte, retained bool, payload []byte) error
	Connected() bool
	Close()
}

// MQTT publishes events to PREFIX/SITE/PUMP/events (QoS 1, not retained) and states to PREFIX/SITE/PUMP/state
// (QoS 1, retained). The heartbeat of the agent, which has no pump, goes to PREFIX/SITE/events.
//
// What is guaranteed: each message is at the broker at least once, in order. Whether anybody listens is the
// broker's matter; a listener that must not miss an event keeps a session there.
type MQTT struct {
	name   string
	prefix string
	to     Publisher
}

// NewMQTT makes the sender; prefix and site are the first levels of every topic.
func NewMQTT(name, prefix, site string, to Publisher) *MQTT {
	return &MQTT{name: name, prefix: prefix + "/" + site, to: to}
}

// Name is the receiver's name.
func (m *MQTT) Name() string { return m.name }

// Kinds are events, heartbeats and states.
func (m *MQTT) Kinds() store.Kinds {
	return store.KindsOf(store.KindEvent, store.KindHeartbeat, store.KindState)
}

// Close closes the connection.
func (m *MQTT) Close() { m.to.Close() }

// Send publishes the rows one after the other, each after the confirmation of the one before: a broker need
// not keep the order of messages that are under way together.
func (m *MQTT) Send(ctx context.Context, rows []store.Row) (done int, err error) {
	for i := range rows {
		topic, err := m.topic(&rows[i])
		if err != nil {
			return i, Permanent(err)
		}
		retained := rows[i].Kind == store.KindState
		if err := m.to.Publish(ctx, topic, 1, retained, rows[i].JSON); err != nil {
			return i, fmt.Errorf("publish to %s: %w", topic, err)
		}
	}
	return len(rows), nil
}

func (m *MQTT) topic(r *store.Row) (string, error) {
	leaf := "events"
	if r.Kind == store.KindState {
		leaf = "state"
	}
	levels := []string{m.prefix, r.Pump, leaf}
	if r.Pump == "" {
		levels = []string{m.prefix, leaf}
	}
	topic := strings.Join(levels, "/")
	// A broker closes the connection on such a name (MQTT 3.1.1, 3.3.2.1 and 4.7.3); the row would be
	// tried for ever.
	if strings.ContainsAny(topic, "+#\x00") {
		return "", fmt.Errorf("topic %q has a wildcard or a zero character", topic)
	}
	if len(topic) > 65535 {
		return "", errors.New("topic is longer than 65535 bytes")
	}
	return topic, nil
}
