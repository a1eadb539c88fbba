package config

import (
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"diastole/detect/signal"
	"diastole/model/pump"
)

// Effective is what the agent will do, as YAML for people: every default filled in, every number in SI,
// every secret masked. It is no configuration file; an engineer checks with it that units and scales
// mean what was intended.
func Effective(c *Config) ([]byte, error) {
	view := effectiveConfig{
		Site: c.Site,
		MQTT: effectiveMQTT{
			Broker: c.MQTT.Broker, Listen: c.MQTT.Listen, ClientID: c.MQTT.ClientID,
			Username: c.MQTT.Username, Password: c.MQTT.Password.String(),
			CAFile: c.MQTT.CAFile, CertFile: c.MQTT.CertFile, KeyFile: c.MQTT.KeyFile, QoS: int(c.MQTT.QoS),
		},
		Outlets:  effectiveOutletsOf(&c.Outlets),
		Web:      effectiveWeb{Listen: c.Web.Listen, PublicURL: c.Web.PublicURL},
		StateDir: c.StatePath(),
	}
	for i := range c.Pumps {
		view.Pumps = append(view.Pumps, effectivePumpOf(&c.Pumps[i]))
	}
	data, err := yaml.Marshal(view)
	if err != nil {
		return nil, fmt.Errorf("effective configuration: %w", err)
	}
	return data, nil
}

type effectiveConfig struct {
	Site     string           `yaml:"site"`
	MQTT     effectiveMQTT    `yaml:"mqtt"`
	Pumps    []effectivePump  `yaml:"pumps"`
	Outlets  effectiveOutlets `yaml:"outlets"`
	Web      effectiveWeb     `yaml:"web"`
	StateDir string           `yaml:"state_dir"`
}

type effectiveMQTT struct {
	Broker   string `yaml:"broker,omitempty"`
	Listen   string `yaml:"listen,omitempty"`
	ClientID string `yaml:"client_id"`
	Username string `yaml:"username,omitempty"`
	Password string `yaml:"password,omitempty"`
	CAFile   string `yaml:"ca_file,omitempty"`
	CertFile string `yaml:"cert_file,omitempty"`
	KeyFile  string `yaml:"key_file,omitempty"`
	QoS      int    `yaml:"qos"`
}

type effectivePump struct {
	ID               string             `yaml:"id"`
	Serial           string             `yaml:"serial,omitempty"`
	Liquid           string             `yaml:"liquid,omitempty"`
	Criticality      string             `yaml:"criticality,omitempty"`
	Service          string             `yaml:"service,omitempty"`
	Drive            string             `yaml:"drive"`
	PressureRatio    float64            `yaml:"pressure_ratio,omitempty"`
	Damper           bool               `yaml:"damper,omitempty"`
	AirHeader        string             `yaml:"air_header,omitempty"`
	DischargeHeader  string             `yaml:"discharge_header,omitempty"`
	ConditionAtStart string             `yaml:"condition_at_start"`
	Model            effectiveModel     `yaml:"model"`
	Learn            effectiveLearn     `yaml:"learn"`
	SupplyPath       *effectiveSupply   `yaml:"supply_path,omitempty"`
	Counter          *effectiveCounter  `yaml:"counter,omitempty"`
	FalseTickets     float64            `yaml:"false_tickets_per_pump_year"`
	Channels         []effectiveChannel `yaml:"channels"`
}

type effectiveModel struct {
	Name           string              `yaml:"name"`
	Size           string              `yaml:"size,omitempty"`
	StrokeVolume   float64             `yaml:"stroke_volume_m3"`
	MaxCycleRate   float64             `yaml:"max_cycle_rate_per_s"`
	MaxAirPressure float64             `yaml:"max_air_pressure_pa"`
	Source         string              `yaml:"source,omitempty"`
	KitNumbers     map[pump.Kit]string `yaml:"kit_numbers,omitempty"`
}

type effectiveLearn struct {
	For     string   `yaml:"calendar_time,omitempty"`
	Running string   `yaml:"running_time,omitempty"`
	Strokes float64  `yaml:"strokes,omitempty"`
	Exclude []string `yaml:"exclude,omitempty"`
	Called  string   `yaml:"called"`
}

type effectiveSupply struct {
	Conductance   float64 `yaml:"conductance_m3_per_s_pa"`
	CriticalRatio float64 `yaml:"critical_ratio"`
	Droop         float64 `yaml:"droop_pa_s_per_kg,omitempty"`
	Uncertainty   float64 `yaml:"uncertainty"`
}

type effectiveCounter struct {
	Counts  string  `yaml:"counts"`
	WrapsAt float64 `yaml:"wraps_at,omitempty"`
}

type effectiveChannel struct {
	Channel  string    `yaml:"channel"`
	Topic    string    `yaml:"topic"`
	Format   Format    `yaml:"format"`
	Name     string    `yaml:"name,omitempty"`
	Value    *string   `yaml:"value,omitempty"`
	Time     string    `yaml:"time,omitempty"`
	TimeUnit string    `yaml:"time_unit,omitempty"`
	Spacing  string    `yaml:"array_spacing,omitempty"`
	Stored   string    `yaml:"stored"`
	ValidRaw []float64 `yaml:"valid_raw,omitempty,flow"`
	Report   string    `yaml:"report,omitempty"`
	Deadband float64   `yaml:"deadband_si,omitempty"`
	Counts   string    `yaml:"counts,omitempty"`
	Side     string    `yaml:"side,omitempty"`
	Tap      string    `yaml:"tap,omitempty"`
	States   []string  `yaml:"states,omitempty"`
	Shared   bool      `yaml:"shared,omitempty"`
}

type effectiveOutlets struct {
	MQTT     effectiveMQTTOutlet `yaml:"mqtt"`
	Webhooks []effectiveWebhook  `yaml:"webhooks,omitempty"`
	InfluxDB *effectiveInfluxDB  `yaml:"influxdb,omitempty"`
}

type effectiveMQTTOutlet struct {
	Enabled bool   `yaml:"enabled"`
	Prefix  string `yaml:"prefix"`
}

type effectiveWebhook struct {
	Name   string `yaml:"name"`
	URL    string `yaml:"url"`
	Secret string `yaml:"secret,omitempty"`
}

type effectiveInfluxDB struct {
	URL    string `yaml:"url"`
	Org    string `yaml:"org"`
	Bucket string `yaml:"bucket"`
	Token  string `yaml:"token,omitempty"`
}

type effectiveWeb struct {
	Listen    string `yaml:"listen"`
	PublicURL string `yaml:"public_url,omitempty"`
}

func effectivePumpOf(p *Pump) effectivePump {
	s := &p.Settings
	e := effectivePump{
		ID: p.ID, Serial: p.Serial, Liquid: p.Liquid, Criticality: p.Criticality, Service: p.Service,
		Drive: p.Drive, Damper: p.Damper, AirHeader: p.AirHeader, DischargeHeader: p.DischargeHeader,
		ConditionAtStart: p.ConditionAtStart,
		Model: effectiveModel{
			Name: s.Model.Name, Size: p.Size, StrokeVolume: s.Model.StrokeVolume,
			MaxCycleRate: s.Model.MaxCycleRate, MaxAirPressure: s.Model.MaxAirPressure,
			Source: p.Source, KitNumbers: p.KitNumbers,
		},
		Learn:        effectiveLearn{For: duration(s.Learn.For), Running: duration(s.Learn.Running), Strokes: s.Learn.Strokes, Called: "healthy"},
		FalseTickets: s.FalseTicketsPerYear,
	}
	e.PressureRatio = s.PressureRatio
	if s.Learn.AsFound {
		e.Learn.Called = "as found"
	}
	for _, x := range s.Learn.Exclude {
		e.Learn.Exclude = append(e.Learn.Exclude, x.From.Format(time.RFC3339)+" to "+x.To.Format(time.RFC3339))
	}
	if x := s.Supply; x.Path.C > 0 {
		e.SupplyPath = &effectiveSupply{x.Path.C, x.Path.B, x.Droop, x.Spread}
	}
	if s.Channels[signal.StrokeCount] {
		e.Counter = &effectiveCounter{Counts: countables[0], WrapsAt: s.Counter.WrapsAt}
		if s.Counter.PerCycle {
			e.Counter.Counts = countables[1]
		}
	}
	for i := range p.Channels {
		c := effectiveChannelOf(&p.Channels[i])
		if p.Channels[i].Channel == signal.StrokeEdge {
			c.Counts = countables[0]
			if s.EdgePerCycle {
				c.Counts = countables[1]
			}
		}
		e.Channels = append(e.Channels, c)
	}
	return e
}

func effectiveChannelOf(c *Channel) effectiveChannel {
	e := effectiveChannel{
		Channel: c.Channel.String(), Topic: c.Topic, Format: c.Format, Time: c.Time, TimeUnit: c.TimeUnit,
		Stored: formula(c), Shared: c.Shared,
	}
	if c.Format == FormatJSON {
		e.Value = &c.Value
	}
	e.Name, e.Side, e.Deadband = c.Name, c.Side, c.Deadband
	e.Spacing = duration(c.Spacing)
	if c.OnChange {
		e.Report = reports[1]
	}
	if c.Channel == signal.AirInletPressure {
		e.Tap = taps[0]
		if c.BeforeValve {
			e.Tap = taps[1]
		}
	}
	for _, text := range slices.Sorted(maps.Keys(c.States)) {
		e.States = append(e.States, fmt.Sprintf("%s is %s", text, c.States[text]))
	}
	if c.RawMin != 0 || c.RawMax != 0 {
		e.ValidRaw = []float64{c.RawMin, c.RawMax}
	}
	return e
}

// formula says how a raw number is stored, such as "raw * 100000 - 101325 Pa".
func formula(c *Channel) string {
	switch c.Channel {
	case signal.StrokeEdge:
		return "the moment of each closing"
	case signal.ServiceState:
		return "the state that states names"
	}
	text := "raw"
	if c.Factor != 1 {
		text += fmt.Sprintf(" * %.9g", c.Factor)
	}
	switch {
	case c.Offset > 0:
		text += fmt.Sprintf(" + %.9g", c.Offset)
	case c.Offset < 0:
		text += fmt.Sprintf(" - %.9g", -c.Offset)
	}
	unit := c.Channel.Unit()
	switch {
	case unit == "1":
		return text
	case c.Channel == signal.AirFlow:
		unit += " at ANR"
	case unit == "Pa":
		unit += " gauge"
	}
	return text + " " + unit
}

func effectiveOutletsOf(o *Outlets) effectiveOutlets {
	e := effectiveOutlets{MQTT: effectiveMQTTOutlet(o.MQTT)}
	for _, w := range o.Webhooks {
		e.Webhooks = append(e.Webhooks, effectiveWebhook{w.Name, maskQuery(w.URL), w.Secret.String()})
	}
	if i := o.InfluxDB; i != nil {
		e.InfluxDB = &effectiveInfluxDB{maskQuery(i.URL), i.Org, i.Bucket, i.Token.String()}
	}
	return e
}

// maskQuery hides a URL's query: receivers that sign their addresses keep a secret there.
func maskQuery(raw string) string {
	u, err := url.Parse(raw)
	if err != nil {
		return masked
	}
	if u.RawQuery == "" {
		return raw
	}
	before, _, _ := strings.Cut(raw, "?")
	return before + "?" + masked
}

// duration is empty for none, so that the key is left out.
func duration(d time.Duration) string {
	if d == 0 {
		return ""
	}
	return d.String()
}
