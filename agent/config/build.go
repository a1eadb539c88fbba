package config

import (
	"cmp"
	"slices"
	"strings"
)

// The defaults of the file.
const (
	defaultModel        = "generic-one-inch"
	defaultFalseTickets = 0.05
	defaultPrefix       = "diastole"
	defaultWeb          = "127.0.0.1:8317"
	defaultQoS          = 1
)

// maxFalseTickets is one needless ticket a week: beyond it nobody believes the next one.
const maxFalseTickets = 52

// builder makes values of a decoded file and reports to its document what is wrong with them.
type builder struct {
	doc       *document
	dir       string
	catalogue catalogue
}

func (b *builder) config(f *fileConfig) *Config {
	if f.Site != "" {
		b.check("site", checkName(f.Site))
	}
	c := &Config{
		Site:    f.Site,
		MQTT:    b.mqtt(&f.MQTT, f.Site),
		Outlets: b.outlets(&f.Outlets),
		Web:     Web{Listen: cmp.Or(f.Web.Listen, defaultWeb), PublicURL: f.Web.PublicURL},
	}
	b.check("web.listen", checkLoopback(c.Web.Listen))
	if f.Web.PublicURL != "" {
		b.check("web.public_url", checkHTTP(f.Web.PublicURL))
	}
	if f.StateDir != "" {
		c.StateDir = b.resolve(f.StateDir)
	}
	c.Pumps = b.pumps(f.Pumps, b.falseTickets(&f.Alarms))
	c.Installed, c.Costs = b.catalogue.installed, b.catalogue.costs
	for _, name := range b.catalogue.names {
		for _, k := range b.catalogue.models[name].service.Kits {
			c.Kits = append(c.Kits, ModelKit{name, k})
		}
	}
	return c
}

// check reports what a rule says of the value at path.
func (b *builder) check(path string, err error) {
	if err != nil {
		b.doc.fail(path, "%v", err)
	}
}

// oneOf reports a value that is not among those allowed.
func (b *builder) oneOf(path, value string, allowed []string) {
	if !slices.Contains(allowed, value) {
		b.doc.fail(path, "%s", notAllowed("value", value, allowed))
	}
}

func (b *builder) falseTickets(f *fileAlarms) float64 {
	if f.FalseTickets == nil {
		return defaultFalseTickets
	}
	b.check("alarms.false_tickets_per_pump_year", checkFalseTickets(*f.FalseTickets))
	return *f.FalseTickets
}

func (b *builder) mqtt(f *fileMQTT, site string) MQTT {
	m := MQTT{
		Broker:   f.Broker,
		Listen:   f.Listen,
		ClientID: cmp.Or(f.ClientID, "diastole-"+site),
		Username: f.Username,
		CAFile:   b.file("mqtt.ca_file", f.CAFile),
		CertFile: b.file("mqtt.cert_file", f.CertFile),
		KeyFile:  b.file("mqtt.key_file", f.KeyFile),
		QoS:      defaultQoS,
	}
	if f.QoS != nil {
		if *f.QoS < 0 || *f.QoS > 2 {
			b.doc.fail("mqtt.qos", "is %d; allowed are 0, 1 and 2", *f.QoS)
		}
		m.QoS = byte(*f.QoS)
	}
	hasBroker, hasListen := b.doc.has("mqtt.broker"), b.doc.has("mqtt.listen")
	switch {
	case hasBroker && hasListen:
		b.doc.fail("mqtt.listen", "stands beside broker; give broker to join a broker, or listen to open the embedded one")
	case hasBroker:
		if f.Broker != "" {
			var err error
			m.Broker, err = parseBroker(f.Broker)
			b.check("mqtt.broker", err)
		}
		m.Password = b.secret("mqtt.password_file", f.PasswordFile, mqttPasswordEnv)
		b.brokerLogin(m)
	case hasListen:
		if f.Listen != "" {
			b.check("mqtt.listen", checkListen(f.Listen))
		}
		for _, key := range []string{"username", "password_file", "ca_file", "cert_file", "key_file"} {
			if path := "mqtt." + key; b.doc.has(path) {
				b.doc.fail(path, "is for a broker; the embedded broker that listen opens has neither log-in nor TLS")
			}
		}
	case b.doc.has("mqtt") && !b.doc.bad["mqtt"] && !b.doc.bad["mqtt.broker"] && !b.doc.bad["mqtt.listen"]:
		b.doc.fail("mqtt", "needs broker, such as mqtt://127.0.0.1:1883, or listen, such as 127.0.0.1:1883, for the embedded broker")
	}
	return m
}

// brokerLogin checks what belongs together when joining a broker.
func (b *builder) brokerLogin(m MQTT) {
	if b.doc.has("mqtt.cert_file") != b.doc.has("mqtt.key_file") {
		b.doc.fail("mqtt.cert_file", "cert_file and key_file belong together; give both or neither")
	}
	if m.Password != "" && !b.doc.has("mqtt.username") { // MQTT 3.1.1, [MQTT-3.1.2-22]
		b.doc.fail("mqtt.username", "is missing; MQTT allows a password, here from password_file or %s, only with a user name", mqttPasswordEnv)
	}
	if !strings.HasPrefix(m.Broker, "mqtts:") {
		for _, key := range []string{"ca_file", "cert_file"} {
			if path := "mqtt." + key; b.doc.has(path) {
				b.doc.fail(path, "is for TLS; write the broker as mqtts://host:8883")
			}
		}
	}
}

// file resolves the path of a file that must exist.
func (b *builder) file(path, name string) string {
	if name == "" {
		return ""
	}
	name = b.resolve(name)
	if err := checkFile(name); err != nil {
		b.doc.fail(path, "cannot be read: %v", err)
	}
	return name
}

func (b *builder) outlets(f *fileOutlets) Outlets {
	o := Outlets{MQTT: MQTTOutlet{Enabled: true, Prefix: cmp.Or(f.MQTT.Prefix, defaultPrefix)}}
	if f.MQTT.Enabled != nil {
		o.MQTT.Enabled = *f.MQTT.Enabled
	}
	b.check("outlets.mqtt.prefix", checkPrefix(o.MQTT.Prefix))
	first := map[string]string{}
	for i, w := range f.Webhooks {
		path := index("outlets.webhooks", i)
		o.Webhooks = append(o.Webhooks, b.webhook(path, w))
		if w.Name == "" {
			continue
		}
		if earlier, twice := first[webhookEnv(w.Name)]; twice {
			b.doc.fail(path+".name", "%q is already the name of the webhook on line %d, but for - and _ and capitals", w.Name, b.doc.nearest(earlier).line)
			continue
		}
		first[webhookEnv(w.Name)] = path
	}
	if f.InfluxDB != nil {
		o.InfluxDB = b.influxDB(f.InfluxDB)
	}
	return o
}

func (b *builder) webhook(path string, f fileWebhook) Webhook {
	w := Webhook{Name: f.Name, URL: f.URL}
	if f.Name != "" {
		b.check(path+".name", checkWebhookName(f.Name))
		w.Secret = b.secret(path+".secret_file", f.SecretFile, webhookEnv(f.Name))
	}
	if f.URL != "" {
		b.check(path+".url", checkHTTP(f.URL))
	}
	return w
}

func (b *builder) influxDB(f *fileInfluxDB) *InfluxDB {
	if f.URL != "" {
		b.check("outlets.influxdb.url", checkHTTP(f.URL))
	}
	token := b.secret("outlets.influxdb.token_file", f.TokenFile, influxTokenEnv)
	return &InfluxDB{URL: f.URL, Org: f.Org, Bucket: f.Bucket, Token: token}
}
