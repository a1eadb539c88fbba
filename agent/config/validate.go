package config

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"diastole/detect/signal"
)

// Validate checks a configuration that was made in code, such as that of a demonstration, by the rules
// that a file is checked by. What Parse returns is always valid. The error names every value that is
// wrong.
func (c *Config) Validate() error {
	v := &validation{}
	v.check("site", checkName(c.Site))
	v.mqtt(c.MQTT)
	v.check("web.listen", checkLoopback(c.Web.Listen))
	v.check("outlets.mqtt.prefix", checkPrefix(c.Outlets.MQTT.Prefix))
	for i, w := range c.Outlets.Webhooks {
		v.check(fmt.Sprintf("outlets.webhooks[%d].name", i), checkWebhookName(w.Name))
		v.check(fmt.Sprintf("outlets.webhooks[%d].url", i), checkHTTP(w.URL))
	}
	if c.Outlets.InfluxDB != nil {
		v.check("outlets.influxdb.url", checkHTTP(c.Outlets.InfluxDB.URL))
	}
	v.want(len(c.Pumps) > 0, "pumps", "needs at least one pump")
	seen := map[string]bool{}
	for i := range c.Pumps {
		p := &c.Pumps[i]
		v.want(!seen[p.ID], "pumps", "pump %q stands twice", p.ID)
		seen[p.ID] = true
		v.pump(index("pumps", i), p)
	}
	return errors.Join(v.errs...)
}

// validation collects what is wrong.
type validation struct{ errs []error }

func (v *validation) check(path string, err error) {
	if err != nil {
		v.errs = append(v.errs, fmt.Errorf("%s: %w", path, err))
	}
}

func (v *validation) want(ok bool, path, format string, args ...any) {
	if !ok {
		v.check(path, fmt.Errorf(format, args...))
	}
}

func (v *validation) mqtt(m MQTT) {
	if m.Listen != "" {
		v.want(m.Broker == "", "mqtt", "has both a broker and a listener")
		v.check("mqtt.listen", checkListen(m.Listen))
	} else {
		_, err := parseBroker(m.Broker)
		v.check("mqtt.broker", err)
	}
	v.want(m.ClientID != "", "mqtt.client_id", "is empty")
	v.want(m.QoS <= 2, "mqtt.qos", "is %d; allowed are 0, 1 and 2", m.QoS)
}

func (v *validation) pump(path string, p *Pump) {
	v.check(path+".id", checkName(p.ID))
	s := &p.Settings
	v.check(path+".model", checkName(s.Model.Name))
	v.want(s.Model.StrokeVolume > 0 && s.Model.MaxCycleRate > 0 && s.Model.MaxAirPressure > 0,
		path+".model", "has a stroke volume, cycle rate or air pressure that is not above 0")
	v.check(path+".false_tickets_per_pump_year", checkFalseTickets(s.FalseTicketsPerYear))
	l := s.Learn
	v.want(l.For >= 0 && l.Running >= 0 && l.Strokes >= 0 && (l.For > 0 || l.Running > 0 || l.Strokes > 0),
		path+".learn", "never ends: no condition is above 0")
	for _, e := range l.Exclude {
		v.want(e.From.Before(e.To), path+".learn_exclude", "ends at %v, which is not after its beginning", e.To)
	}
	v.want(s.Counter.WrapsAt >= 0, path+".wraps_at", "is %v", s.Counter.WrapsAt)
	v.want(len(p.Channels) > 0, path+".channels", "needs at least one channel")
	var present [signal.NumChannels]bool
	for i := range p.Channels {
		c := &p.Channels[i]
		at := join(path+".channels", c.Channel.String())
		if c.Channel >= signal.NumChannels {
			v.want(false, at, "is no channel")
			continue
		}
		v.want(!present[c.Channel], at, "stands twice")
		present[c.Channel] = true
		v.channel(at, c)
	}
	v.want(present == s.Channels, path+".channels", "are not those of the settings")
}

func (v *validation) channel(path string, c *Channel) {
	v.check(path+".topic", checkTopic(c.Topic))
	v.check(path+".value", checkPointer(c.Value))
	v.check(path+".time", checkPointer(c.Time))
	v.want(slices.Contains(formatsOf(c.Channel), c.Format), path+".format", "%q is not one of %s", c.Format, joinFormats(formatsOf(c.Channel)))
	named := c.Format == FormatSenML || c.Format == FormatSparkplugB
	v.want(named == (c.Name != ""), path+".name", "is %q for format %s", c.Name, c.Format)
	v.want(c.Spacing >= 0 && c.Deadband >= 0, path, "has a spacing %v or a deadband %v below 0", c.Spacing, c.Deadband)
	v.want((c.Channel == signal.ServiceState) == (len(c.States) > 0), path+".states", "are %d", len(c.States))
	finite := !math.IsNaN(c.Factor) && !math.IsInf(c.Factor, 0) && !math.IsNaN(c.Offset) && !math.IsInf(c.Offset, 0)
	v.want(finite && c.Factor != 0, path, "has a factor %v or an offset %v that is not usable", c.Factor, c.Offset)
	v.want(c.RawMin < c.RawMax || c.RawMin == 0 && c.RawMax == 0, path, "has bounds %v to %v", c.RawMin, c.RawMax)
}
