package config

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
)

// The rules below judge one value each. Their errors say what is allowed and never repeat a value that
// may hold a secret.

// checkName judges a site, a pump id, a model name: it becomes an MQTT topic level, a tag and part of a
// URL path.
func checkName(name string) error {
	for _, r := range name {
		switch {
		case 'a' <= r && r <= 'z', 'A' <= r && r <= 'Z', '0' <= r && r <= '9', r == '-', r == '_', r == '.':
		default:
			return fmt.Errorf("%q has a character %q that is not allowed; allowed are letters a-z and A-Z, digits, the dot, - and _", name, r)
		}
	}
	if strings.Trim(name, ".") == "" {
		return fmt.Errorf("%q is not a name; allowed are letters a-z and A-Z, digits, the dot, - and _", name)
	}
	return nil
}

// checkTopic judges the name of one MQTT topic, MQTT 3.1.1 section 4.7.
func checkTopic(topic string) error {
	switch {
	case topic == "":
		return errors.New("an MQTT topic has at least one character")
	case strings.ContainsAny(topic, "+#"):
		return fmt.Errorf("topic %q has a wildcard; name one topic, without + and #", topic)
	case strings.HasPrefix(topic, "$"):
		return fmt.Errorf("topic %q begins with $; such topics are the broker's own", topic)
	case len(topic) > 65535:
		return fmt.Errorf("the topic has %d bytes; MQTT allows 65535", len(topic))
	case strings.ContainsRune(topic, 0):
		return errors.New("the topic holds a zero character, which MQTT does not allow")
	}
	return nil
}

// checkPrefix judges what our own topics begin with.
func checkPrefix(prefix string) error {
	if strings.HasPrefix(prefix, "/") || strings.HasSuffix(prefix, "/") {
		return fmt.Errorf("prefix %q begins or ends with /; the / in front of SITE is added", prefix)
	}
	return checkTopic(prefix)
}

// checkPointer judges the syntax of a JSON pointer, RFC 6901 section 3.
func checkPointer(pointer string) error {
	if pointer != "" && !strings.HasPrefix(pointer, "/") {
		return fmt.Errorf("%q is not a JSON pointer (RFC 6901): it begins with /, such as %q", pointer, "/"+pointer)
	}
	for i, part := range strings.Split(pointer, "~") {
		if i > 0 && !strings.HasPrefix(part, "0") && !strings.HasPrefix(part, "1") {
			return fmt.Errorf("%q is not a JSON pointer (RFC 6901): after ~ comes 0 or 1; write ~0 for ~ and ~1 for / inside a key", pointer)
		}
	}
	return nil
}

// parseBroker judges a broker's URL and completes it with the scheme's port: 1883, or 8883 for TLS.
func parseBroker(broker string) (string, error) {
	u, err := parseURL(broker)
	if err != nil {
		return "", err
	}
	port := map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme]
	switch {
	case port == "":
		return "", fmt.Errorf("the broker's scheme %q is not allowed; allowed are mqtt://host:1883, and mqtts://host:8883 for TLS", u.Scheme)
	case u.User != nil:
		return "", fmt.Errorf("user and password do not stand in the URL; use username and password_file, or the environment variable %s", mqttPasswordEnv)
	case u.Path != "" && u.Path != "/", u.RawQuery != "", u.Fragment != "":
		return "", fmt.Errorf("nothing follows host and port in a broker's URL, such as %s://host:%s", u.Scheme, port)
	}
	if u.Port() != "" {
		port = u.Port()
	}
	if err := checkPort(port); err != nil {
		return "", err
	}
	return u.Scheme + "://" + net.JoinHostPort(u.Hostname(), port), nil
}

// checkHTTP judges the URL of an HTTP receiver.
func checkHTTP(raw string) error {
	u, err := parseURL(raw)
	switch {
	case err != nil:
		return err
	case u.Scheme != "http" && u.Scheme != "https":
		return fmt.Errorf("the scheme %q is not allowed; allowed are http:// and https://", u.Scheme)
	case u.User != nil:
		return errors.New("user and password do not stand in the URL")
	case u.Fragment != "":
		return errors.New("a fragment (#) has no meaning in the URL of a receiver")
	}
	return nil
}

// parseURL wants scheme and host. The library's error is not passed on: it repeats the URL, in which
// somebody may have put a password.
func parseURL(raw string) (*url.URL, error) {
	u, err := url.Parse(raw)
	switch {
	case err != nil:
		return nil, errors.New("not a URL; it looks like scheme://host:port")
	case u.Scheme == "" || u.Hostname() == "":
		return nil, errors.New("the URL needs a scheme and a host, such as scheme://host:port")
	}
	return u, nil
}

// checkListen judges the address of a listener.
func checkListen(address string) error {
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("%q is not host:port, such as 127.0.0.1:8317", address)
	}
	if port == "0" { // any free port
		return nil
	}
	return checkPort(port)
}

// checkLoopback judges the address of a listener that has no log-in.
func checkLoopback(address string) error {
	if err := checkListen(address); err != nil {
		return err
	}
	host, _, _ := net.SplitHostPort(address)
	if ip, err := netip.ParseAddr(host); host == "localhost" || err == nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("%q can be reached from outside, which is refused until there is a log-in; allowed are 127.0.0.1:PORT, [::1]:PORT and localhost:PORT", address)
}

func checkPort(port string) error {
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
		return fmt.Errorf("port %q is not a number from 1 to 65535", port)
	}
	return nil
}

// checkFalseTickets judges the budget from which every threshold follows, tickets per pump-year.
func checkFalseTickets(perPumpYear float64) error {
	if !(perPumpYear > 0 && perPumpYear <= maxFalseTickets) {
		return fmt.Errorf("is %v; allowed is above 0 and at most %d", perPumpYear, maxFalseTickets)
	}
	return nil
}

// checkWebhookName judges a webhook's name: it becomes part of an environment variable's.
func checkWebhookName(name string) error {
	if strings.Contains(name, ".") {
		return fmt.Errorf("%q has a dot; allowed are letters a-z and A-Z, digits, - and _", name)
	}
	return checkName(name)
}
