package session

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"net/url"
	"os"
	"time"

	"diastole/agent/config"
)

// dialer opens the transport connection to a broker.
type dialer struct {
	address string      // host:port
	tls     *tls.Config // nil without TLS
}

// newDialer reads the broker's address and, for mqtts, the certificates.
func newDialer(m config.MQTT) (dialer, error) {
	u, err := url.Parse(m.Broker)
	if err != nil {
		return dialer{}, fmt.Errorf("mqtt: broker: %w", err)
	}
	port := ""
	switch u.Scheme {
	case "mqtt":
		port = "1883"
	case "mqtts":
		port = "8883"
	}
	if port == "" || u.Hostname() == "" {
		return dialer{}, fmt.Errorf("mqtt: broker %q: allowed is mqtt://host:port or mqtts://host:port", m.Broker)
	}
	if p := u.Port(); p != "" {
		port = p
	}
	d := dialer{address: net.JoinHostPort(u.Hostname(), port)}
	if u.Scheme == "mqtts" {
		d.tls, err = TLS(m)
	}
	return d, err
}

// TLS is the configuration's side of a TLS connection to the broker: pinned authority, client certificate. The error names
// the key of the configuration and the file.
func TLS(m config.MQTT) (*tls.Config, error) {
	u, err := url.Parse(m.Broker)
	if err != nil {
		return nil, fmt.Errorf("mqtt: broker %q: %w", m.Broker, err)
	}
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	if m.CAFile != "" {
		pem, err := os.ReadFile(m.CAFile)
		if err != nil {
			return nil, fmt.Errorf("mqtt: ca_file: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("mqtt: ca_file %s holds no certificate in PEM", m.CAFile)
		}
	}
	if m.CertFile != "" || m.KeyFile != "" {
		pair, err := tls.LoadX509KeyPair(m.CertFile, m.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("mqtt: cert_file %q and key_file %q: %w", m.CertFile, m.KeyFile, err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

func (d dialer) dial(ctx context.Context, timeout time.Duration) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	if d.tls != nil {
		return (&tls.Dialer{Config: d.tls}).DialContext(ctx, "tcp", d.address)
	}
	return (&net.Dialer{}).DialContext(ctx, "tcp", d.address)
}
