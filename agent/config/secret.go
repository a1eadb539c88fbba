package config

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
)

// The environment variables that secrets may come from.
const (
	mqttPasswordEnv = "DIASTOLE_MQTT_PASSWORD"
	influxTokenEnv  = "DIASTOLE_INFLUXDB_TOKEN"
)

// Secret is text that never shows itself: not in a log, not printed, not marshalled. Convert it with
// string(s) where it is used, and keep it in exported fields only: fmt prints an unexported field
// without asking its type. So it does below a pointer that it is given a wrong verb for, such as %s; go
// vet reports such a format.
type Secret string

// masked is what stands for a secret.
const masked = "<secret>"

// String hides the secret.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return masked
}

// MarshalText hides the secret.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Format hides the secret from every verb of fmt; a Stringer alone would show it to %d.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, s.String()) }

// webhookEnv is the environment variable of a webhook's secret.
func webhookEnv(name string) string {
	return "DIASTOLE_WEBHOOK_" + strings.ToUpper(strings.ReplaceAll(name, "-", "_")) + "_SECRET"
}

// secret reads a secret from the file that the key at path names, else from the environment variable;
// empty where neither is given.
func (b *builder) secret(path, file, env string) Secret {
	if !b.doc.has(path) {
		return Secret(os.Getenv(env))
	}
	if file == "" {
		return ""
	}
	data, err := readFile(b.resolve(file), maxSecretBytes)
	if err != nil {
		b.doc.fail(path, "cannot be read: %v", err)
		return ""
	}
	text, err := secretText(data)
	if err != nil {
		b.doc.fail(path, "%s %v", file, err)
	}
	return text
}

// maxSecretBytes bounds a secret's file; a longer one is the wrong file.
const maxSecretBytes = 64 << 10

// secretText takes the line break off that an editor leaves at the end.
func secretText(data []byte) (Secret, error) {
	text := strings.TrimRight(string(data), "\r\n")
	switch {
	case text == "":
		return "", errors.New("is empty; it must hold the secret and nothing else")
	case strings.ContainsAny(text, "\r\n\x00"):
		return "", errors.New("has more than one line; it must hold the secret and nothing else")
	}
	return Secret(text), nil
}
