package config

import (
	"errors"
	"fmt"
	"os"
	"strings"
)

// Broker makes the settings of a broker that a command line names, by the rules of a file. Its password is the content of
// passwordFile, else that of the environment. The client id is left to the caller.
func Broker(url, username, passwordFile, caFile string) (MQTT, error) {
	m := MQTT{Username: username, CAFile: caFile, QoS: defaultQoS}
	var err error
	if m.Broker, err = parseBroker(url); err != nil {
		return MQTT{}, fmt.Errorf("broker: %w", err)
	}
	if caFile != "" && !strings.HasPrefix(m.Broker, "mqtts:") {
		return MQTT{}, errors.New("ca file: is for TLS; write the broker as mqtts://host:8883")
	}
	m.Password = Secret(os.Getenv(mqttPasswordEnv))
	if passwordFile != "" {
		data, err := readFile(passwordFile, maxSecretBytes)
		if err != nil {
			return MQTT{}, fmt.Errorf("password file: %w", err)
		}
		if m.Password, err = secretText(data); err != nil {
			return MQTT{}, fmt.Errorf("password file %s: %w", passwordFile, err)
		}
	}
	if m.Password != "" && username == "" { // MQTT 3.1.1, [MQTT-3.1.2-22]
		return MQTT{}, errors.New("username: is missing; MQTT allows a password only with a user name")
	}
	return m, nil
}
