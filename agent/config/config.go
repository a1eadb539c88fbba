// Package config turns the YAML that a controls engineer writes into validated values in SI units that
// never change afterwards.
package config

import (
	"diastole/detect"
	"diastole/detect/signal"
)

// Config is the whole configuration of one agent.
type Config struct {
	Site     string
	MQTT     MQTT
	Pumps    []Pump
	Outlets  Outlets
	Web      Web
	StateDir string // empty: chosen from the environment, see StatePath
}

// MQTT says where the sensor messages come from.
type MQTT struct {
	// Broker is mqtt://host:port or mqtts://host:port; Listen, instead, opens the embedded broker there.
	Broker string
	Listen string
	// ClientID is stable over restarts, so that the broker keeps the session.
	ClientID                  string
	Username                  string
	Password                  Secret
	CAFile, CertFile, KeyFile string
	// QoS is the quality of service of the subscriptions.
	QoS byte
}

// Pump is one pump position.
type Pump struct {
	ID     string
	Serial string
	Liquid string
	// ConditionAtStart is new, rebuilt, used or unknown.
	ConditionAtStart string
	Channels         []Channel
	// Settings is what the monitor is made from.
	Settings detect.Settings
}

// Format is how a payload carries samples.
type Format string

// The payload formats.
const (
	FormatNumber   Format = "number"
	FormatJSON     Format = "json"
	FormatWaveform Format = "waveform"
)

// Channel tells where one channel's samples arrive and how they become SI.
type Channel struct {
	Channel signal.Channel
	Topic   string
	Format  Format
	// Value and Time are RFC 6901 pointers into a json payload; Time may be empty: the arrival counts.
	Value, Time string
	// TimeUnit is "s", "ms", "us" or "ns" for epoch numbers, empty for RFC 3339.
	TimeUnit string
	// Factor and Offset turn a raw number into SI: si = raw*Factor + Offset. They hold the unit, the
	// scale and the reference conditions together.
	Factor, Offset float64
	// RawMin and RawMax bound the raw number where the file says so (3.6 to 21 mA); both zero: no bound.
	RawMin, RawMax float64
	// Shared allows other channels to claim the same topic and selector.
	Shared bool
}

// Outlets says who is told.
type Outlets struct {
	// MQTT publishes events and retained state under Prefix/SITE/PUMP.
	MQTT     MQTTOutlet
	Webhooks []Webhook
	InfluxDB *InfluxDB
}

// MQTTOutlet is the events' way back to the broker.
type MQTTOutlet struct {
	Enabled bool
	Prefix  string // default "diastole"
}

// Webhook is an HTTP receiver of events.
type Webhook struct {
	Name   string
	URL    string
	Secret Secret
}

// InfluxDB is a receiver of features by the InfluxDB v2 write API.
type InfluxDB struct {
	URL, Org, Bucket string
	Token            Secret
}

// Web is the page, the API and the metrics.
type Web struct {
	// Listen is host:port on the loopback interface.
	Listen string
}

// Secret is text that never shows itself.
type Secret string

// String hides the secret.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return "<secret>"
}

// MarshalText hides the secret.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// GoString hides the secret.
func (s Secret) GoString() string { return s.String() }
