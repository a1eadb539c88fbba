// Package config turns the YAML that a controls engineer writes into validated values in SI units that
// never change afterwards.
package config

import (
	"time"

	"diastole/detect"
	"diastole/detect/signal"
	"diastole/model/pump"
)

// Config is the whole configuration of one agent.
type Config struct {
	Site     string
	MQTT     MQTT
	Pumps    []Pump
	Outlets  Outlets
	Web      Web
	StateDir string // empty: chosen from the environment, see StatePath
	// Installed is the catalogue's installed base in the order of its file, watched pumps and others; Costs are its costs.
	Installed []pump.Installed
	Costs     pump.Costs
	// Kits are all kits of the catalogue in the order of its file.
	Kits []ModelKit
}

// ModelKit is a kit with the model that it is for.
type ModelKit struct {
	Model string
	Kit   pump.KitSpec
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
	// Criticality is the plant's own word for how much depends on the pump.
	Criticality string
	// Service is continuous, batch, demand or dead-head; empty where it is not stated.
	Service string
	// Drive is pilot or solenoid: what moves the air valve.
	Drive string
	// Damper is true where a pulsation damper stands in the discharge.
	Damper bool
	// AirHeader and DischargeHeader name the mains that the pump shares with others; empty where that is not stated.
	AirHeader, DischargeHeader string
	// ConditionAtStart is new, rebuilt, used or unknown.
	ConditionAtStart string
	// Size and Source are the catalogue's words on the model: its nominal size, and where its values
	// come from. Both are empty for a built-in model.
	Size, Source string
	// KitNumbers are the part numbers of the catalogue by kit; nil where it gives none. Iterate it over
	// sorted keys.
	KitNumbers map[pump.Kit]string
	// Upkeep is what the catalogue knows of the pump's upkeep, its kits those that fit the pump's materials.
	Upkeep pump.Service
	// Installed is the pump's place in the installed base, made of the keys above where the catalogue does not list it.
	Installed pump.Installed
	// Channels are in the order of signal.Channel.
	Channels []Channel
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
	FormatEdges    Format = "edges"
	// FormatSenML is RFC 8428, in JSON or CBOR.
	FormatSenML Format = "senml"
	// FormatSparkplugB is Sparkplug 3.0 (ISO/IEC 20237:2023).
	FormatSparkplugB Format = "sparkplug-b"
)

// Formats lists the payload formats, the default first.
func Formats() []Format {
	return []Format{FormatNumber, FormatJSON, FormatWaveform, FormatEdges, FormatSenML, FormatSparkplugB}
}

// Channel tells where one channel's samples arrive and how they become SI.
type Channel struct {
	Channel signal.Channel
	Topic   string
	Format  Format
	// Value and Time are RFC 6901 pointers into a json payload; Time may be empty: the arrival counts.
	// An empty Value is the whole payload.
	Value, Time string
	// TimeUnit is "s", "ms", "us" or "ns" for epoch numbers, empty for RFC 3339.
	TimeUnit string
	// Factor and Offset turn a raw number into SI: si = raw*Factor + Offset. They hold the unit, the
	// scale and the reference conditions together. Factor is never 0.
	Factor, Offset float64
	// RawMin and RawMax bound the raw number where the file says so (3.6 to 21 mA); both zero: no bound.
	RawMin, RawMax float64
	// Name selects the record of a senml pack or the metric of a sparkplug-b payload.
	Name string
	// Unit is the unit as the file writes it, empty where none is written; Factor and Offset already hold it.
	Unit string
	// Spacing is the time between the samples of an array that does not carry its own (dt of the file); 0: not stated.
	Spacing time.Duration
	// States names the values of service_state; nil for other channels. Iterate it over sorted keys.
	States map[string]signal.Service
	// OnChange is true where a value is only sent when it has changed, by more than Deadband (SI): silence is then no
	// staleness.
	OnChange bool
	Deadband float64
	// Side is the chamber, left or right, that discharges while side_signal is 1; empty for other channels.
	Side string
	// BeforeValve is true where the air inlet pressure is taken before the shut-off valve, so that it stands while the pump
	// has no air.
	BeforeValve bool
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
	Name string
	URL  string
	// Secret signs what is sent; empty: it is not signed.
	Secret Secret
}

// InfluxDB is a receiver of features by the InfluxDB v2 write API.
type InfluxDB struct {
	URL, Org, Bucket string
	// Token may be empty for a server that asks for none.
	Token Secret
}

// Web is the page, the API and the metrics.
type Web struct {
	// Listen is host:port on the loopback interface.
	Listen string
	// PublicURL is where people reach the page through the site's own proxy; empty: not at all.
	PublicURL string
}
