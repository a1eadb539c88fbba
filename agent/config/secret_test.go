package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// However a configuration is written out, its secrets are not in it.
func TestSecretsNeverShow(t *testing.T) {
	const word = "hunter2"
	c := &Config{
		MQTT: MQTT{Password: word},
		Outlets: Outlets{
			Webhooks: []Webhook{{Name: "desk", Secret: word}},
			InfluxDB: &InfluxDB{Token: word},
		},
	}
	var written []string
	alone := []any{Secret(word), new(Secret(word)), []Secret{word}, map[string]Secret{"password": word}, c.MQTT, c.Outlets.Webhooks}
	for _, v := range alone {
		for _, verb := range []string{"%s", "%q", "%x", "%X", "%d", "%t", "%10s"} { // wrong ones too
			written = append(written, fmt.Sprintf(verb, v))
		}
	}
	for _, v := range append(alone, c.Outlets, &c.Outlets, *c.Outlets.InfluxDB, *c, c) {
		for _, verb := range []string{"%v", "%+v", "%#v"} {
			written = append(written, fmt.Sprintf(verb, v))
		}
		var log bytes.Buffer
		slog.New(slog.NewTextHandler(&log, nil)).Info("text", "value", v, slog.Group("group", "inner", v))
		slog.New(slog.NewJSONHandler(&log, nil)).Info("json", "value", v, slog.Group("group", "inner", v))
		written = append(written, log.String())
		for _, marshal := range []func(any) ([]byte, error){json.Marshal, yaml.Marshal} {
			data, err := marshal(v)
			if err != nil {
				t.Errorf("%T: %v", v, err)
			}
			written = append(written, string(data))
		}
	}
	effective, err := Effective(c)
	if err != nil {
		t.Fatal(err)
	}
	written = append(written, string(effective), fmt.Errorf("login %v", c.MQTT.Password).Error())
	for _, text := range written {
		for _, shown := range []string{word, fmt.Sprintf("%x", word), fmt.Sprintf("%X", word)} {
			if strings.Contains(text, shown) {
				t.Errorf("shows the secret: %s", text)
			}
		}
	}
	if !strings.Contains(string(effective), masked) {
		t.Errorf("does not tell that there is a secret:\n%s", effective)
	}
	if got := string(c.MQTT.Password); got != word {
		t.Errorf("the secret itself is %q", got)
	}
}

func TestSecretsFromEnvironment(t *testing.T) {
	t.Setenv("DIASTOLE_MQTT_PASSWORD", "one")
	t.Setenv("DIASTOLE_INFLUXDB_TOKEN", "two")
	t.Setenv("DIASTOLE_WEBHOOK_NIGHT_SHIFT_SECRET", "three")
	text := `
site: north
mqtt: {broker: mqtt://127.0.0.1, username: plant%s}
pumps: [{id: P-101, channels: {stroke_count: {topic: a}}}]
outlets:
  webhooks: [{name: night-shift, url: "http://127.0.0.1:1"}]
  influxdb: {url: "http://127.0.0.1:1", org: o, bucket: b}
`
	c, err := Parse("testdata/environment.yaml", fmt.Appendf(nil, text, ""))
	if err != nil {
		t.Fatal(err)
	}
	if c.MQTT.Password != "one" || c.Outlets.InfluxDB.Token != "two" || c.Outlets.Webhooks[0].Secret != "three" {
		t.Errorf("got %q, %q, %q", string(c.MQTT.Password), string(c.Outlets.InfluxDB.Token), string(c.Outlets.Webhooks[0].Secret))
	}

	// A file that is named goes before the environment.
	c, err = Parse("testdata/environment.yaml", fmt.Appendf(nil, text, ", password_file: secrets/mqtt"))
	if err != nil {
		t.Fatal(err)
	}
	if c.MQTT.Password != "broker-password" {
		t.Errorf("got %q", string(c.MQTT.Password))
	}
}

// A $ in the file is a $: the environment is not expanded into its text.
func TestNoExpansion(t *testing.T) {
	t.Setenv("LIQUID", "water")
	c, err := Parse("test.yaml", []byte("site: north\nmqtt: {broker: mqtt://127.0.0.1}\npumps: [{id: P-101, liquid: '$LIQUID ${LIQUID}', channels: {stroke_count: {topic: a}}}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got := c.Pumps[0].Liquid; got != "$LIQUID ${LIQUID}" {
		t.Errorf("got %q", got)
	}
}
