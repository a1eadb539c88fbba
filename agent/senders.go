package agent

import (
	"crypto/tls"
	"fmt"

	"diastole/agent/config"
	"diastole/agent/intake/session"
	"diastole/agent/outlet"
)

// senders makes the receivers that the configuration names.
func (a *Agent) senders(mqtt config.MQTT) ([]outlet.Sender, error) {
	var out []outlet.Sender
	o := a.cfg.Outlets
	if o.MQTT.Enabled {
		var secure *tls.Config
		var err error
		if secure, err = session.TLS(mqtt); err != nil {
			return nil, fmt.Errorf("mqtt outlet: %w", err)
		}
		out = append(out, outlet.NewMQTT("mqtt", o.MQTT.Prefix, a.cfg.Site, outlet.NewPaho(outlet.PahoOptions{
			Broker: mqtt.Broker, ClientID: mqtt.ClientID + "-out",
			Username: mqtt.Username, Password: string(mqtt.Password), TLS: secure,
		})))
	}
	for _, w := range o.Webhooks {
		s, err := outlet.NewWebhook(w.Name, w.URL, string(w.Secret))
		if err != nil {
			return nil, fmt.Errorf("webhook %s: %w", w.Name, err)
		}
		out = append(out, s)
	}
	if i := o.InfluxDB; i != nil {
		models := map[string]string{}
		for _, p := range a.cfg.Pumps {
			models[p.ID] = p.Settings.Model.Name
		}
		s, err := outlet.NewInflux(outlet.InfluxOptions{
			Name: "influxdb", URL: i.URL, Org: i.Org, Bucket: i.Bucket, Token: string(i.Token), Site: a.cfg.Site,
			Model: func(pump string) string { return models[pump] },
		})
		if err != nil {
			return nil, fmt.Errorf("influxdb: %w", err)
		}
		out = append(out, s)
	}
	return out, nil
}
