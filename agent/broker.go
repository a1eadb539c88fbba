package agent

import (
	"fmt"
	"log/slog"
	"net"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// broker is the embedded MQTT broker, for the demonstration and for plants that have none.
type broker struct {
	server *mqtt.Server
	tcp    *listeners.TCP
}

// startBroker listens on a host:port of the loopback interface; port 0 picks a free one. It has no log-in, so any other
// address is an error.
func startBroker(addr string, log *slog.Logger) (*broker, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("listen address %q: %w", addr, err)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("listen address %q: the embedded broker has no log-in, so only loopback addresses are allowed", addr)
	}
	b := &broker{server: mqtt.New(&mqtt.Options{Logger: slog.New(atLeastWarn{log.Handler()})})}
	if err := b.server.AddHook(new(auth.AllowHook), nil); err != nil {
		return nil, fmt.Errorf("allow clients: %w", err)
	}
	b.tcp = listeners.NewTCP(listeners.Config{ID: "tcp", Address: addr})
	if err := b.server.AddListener(b.tcp); err != nil {
		return nil, fmt.Errorf("listen on %s: %w", addr, err)
	}
	if err := b.server.Serve(); err != nil {
		return nil, fmt.Errorf("serve: %w", err)
	}
	return b, nil
}

func (b *broker) addr() string { return b.tcp.Address() }

func (b *broker) close() error { return b.server.Close() }
