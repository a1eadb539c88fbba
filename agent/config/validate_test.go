package config

import (
	"math"
	"strings"
	"testing"
	"time"

	"diastole/detect"
	"diastole/detect/signal"
)

// A configuration made in code is held to the rules too: each change breaks one.
func TestValidate(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Config)
		want   string // empty: still valid
	}{
		{"nothing", func(*Config) {}, ""},
		{"listener", func(c *Config) { c.MQTT.Broker, c.MQTT.Listen = "", "127.0.0.1:0" }, ""},
		{"site", func(c *Config) { c.Site = "" }, "site: "},
		{"no broker", func(c *Config) { c.MQTT.Broker = "" }, "mqtt.broker: "},
		{"both", func(c *Config) { c.MQTT.Listen = ":1883" }, "mqtt: has both"},
		{"client id", func(c *Config) { c.MQTT.ClientID = "" }, "mqtt.client_id: "},
		{"qos", func(c *Config) { c.MQTT.QoS = 3 }, "mqtt.qos: "},
		{"web", func(c *Config) { c.Web.Listen = ":8317" }, "web.listen: "},
		{"prefix", func(c *Config) { c.Outlets.MQTT.Prefix = "" }, "outlets.mqtt.prefix: "},
		{"webhook", func(c *Config) { c.Outlets.Webhooks = []Webhook{{Name: "desk", URL: "desk"}} }, "outlets.webhooks[0].url: "},
		{"influxdb", func(c *Config) { c.Outlets.InfluxDB = &InfluxDB{} }, "outlets.influxdb.url: "},
		{"no pumps", func(c *Config) { c.Pumps = nil }, "pumps: needs"},
		{"twin", func(c *Config) { c.Pumps = append(c.Pumps, c.Pumps[0]) }, `pumps: pump "P-101" stands twice`},
		{"pump id", func(c *Config) { c.Pumps[0].ID = "P/101" }, "pumps[0].id: "},
		{"no model", func(c *Config) { c.Pumps[0].Settings.Model.StrokeVolume = 0 }, "pumps[0].model: "},
		{"budget", func(c *Config) { c.Pumps[0].Settings.FalseTicketsPerYear = math.NaN() }, "pumps[0].false_tickets_per_pump_year: "},
		{"endless learning", func(c *Config) { c.Pumps[0].Settings.Learn.For = 0 }, "pumps[0].learn: "},
		{"empty stretch", func(c *Config) {
			now := time.Unix(1e9, 0)
			c.Pumps[0].Settings.Learn.Exclude = []detect.Stretch{{From: now, To: now}}
		}, "pumps[0].learn_exclude: "},
		{"wrap", func(c *Config) { c.Pumps[0].Settings.Counter.WrapsAt = -1 }, "pumps[0].wraps_at: "},
		{"no channels", func(c *Config) {
			c.Pumps[0].Channels, c.Pumps[0].Settings.Channels = nil, [signal.NumChannels]bool{}
		}, "pumps[0].channels: needs"},
		{"settings differ", func(c *Config) { c.Pumps[0].Settings.Channels[signal.AirFlow] = true }, "pumps[0].channels: are not"},
		{"channel twice", func(c *Config) { c.Pumps[0].Channels = append(c.Pumps[0].Channels, c.Pumps[0].Channels[0]) }, "air_inlet_pressure: stands twice"},
		{"no channel", func(c *Config) {
			c.Pumps[0].Channels = append(c.Pumps[0].Channels, Channel{Channel: signal.NumChannels})
		}, "is no channel"},
		{"topic", func(c *Config) { c.Pumps[0].Channels[0].Topic = "a/#" }, "air_inlet_pressure.topic: "},
		{"format", func(c *Config) { c.Pumps[0].Channels[0].Format = "xml" }, "air_inlet_pressure.format: "},
		{"pointer", func(c *Config) { c.Pumps[0].Channels[0].Value = "value" }, "air_inlet_pressure.value: "},
		{"factor", func(c *Config) { c.Pumps[0].Channels[0].Factor = 0 }, "air_inlet_pressure: has a factor"},
		{"offset", func(c *Config) { c.Pumps[0].Channels[0].Offset = math.Inf(1) }, "air_inlet_pressure: has a factor"},
		{"bounds", func(c *Config) { c.Pumps[0].Channels[0].RawMin = 5 }, "air_inlet_pressure: has bounds"},
	} {
		config, err := Load("testdata/contract.yaml")
		if err != nil {
			t.Fatal(err)
		}
		c.change(config)
		err = config.Validate()
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.want != "" && (err == nil || strings.Count(err.Error(), "\n") > 0 || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s: got %v, want one error with %q", c.name, err, c.want)
		}
	}
}
