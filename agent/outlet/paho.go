package outlet

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// mqttTimeout bounds a connect, and a publish up to its confirmation.
const mqttTimeout = 10 * time.Second

// PahoOptions say how the broker is reached.
type PahoOptions struct {
	// Broker is mqtt://host:port or mqtts://host:port.
	Broker string
	// ClientID must differ from that of every other connection to the broker, this agent's own too.
	ClientID           string
	Username, Password string
	// TLS is used with mqtts; nil: the system's roots.
	TLS *tls.Config
}

// Paho is a Publisher over an MQTT 3.1.1 connection.
//
// A client of the library is used for one connection only and never reconnects by itself. With that, a
// publish that completed on a client that is still connected was confirmed on the connection that it was
// sent on. A client that reconnects can complete a publish that the broker never saw, and would keep unsent
// messages in memory without a bound, where the outbox keeps them already.
type Paho struct {
	opts PahoOptions

	mu     sync.Mutex // one publish at a time
	client paho.Client
}

// NewPaho makes a publisher. It connects when something is to be published, and again when the connection
// was lost.
func NewPaho(o PahoOptions) *Paho { return &Paho{opts: o} }

// Connected tells whether a connection stands now.
func (p *Paho) Connected() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.client != nil && p.client.IsConnectionOpen()
}

// Publish sends one message and waits for its confirmation (with QoS 0: for its being written).
func (p *Paho) Publish(ctx context.Context, topic string, qos byte, retained bool, payload []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.connect(ctx); err != nil {
		return fmt.Errorf("connect to %s: %w", p.opts.Broker, err)
	}
	err := wait(ctx, p.client.Publish(topic, qos, retained, payload))
	if err == nil && !p.client.IsConnectionOpen() {
		err = errors.New("the connection was lost before the broker's confirmation was certain")
	}
	if err != nil {
		p.hangUp()
	}
	return err
}

// Close ends the connection.
func (p *Paho) Close() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.hangUp()
}

// connect makes sure that a connection stands.
func (p *Paho) connect(ctx context.Context) error {
	if p.client != nil && p.client.IsConnectionOpen() {
		return nil
	}
	p.hangUp()
	o := paho.NewClientOptions().
		AddBroker(p.opts.Broker).
		SetClientID(p.opts.ClientID).
		SetUsername(p.opts.Username).
		SetPassword(p.opts.Password).
		SetCleanSession(true).
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetConnectTimeout(mqttTimeout).
		SetWriteTimeout(mqttTimeout).
		SetKeepAlive(30 * time.Second)
	if p.opts.TLS != nil {
		o.SetTLSConfig(p.opts.TLS)
	}
	p.client = paho.NewClient(o)
	if err := wait(ctx, p.client.Connect()); err != nil {
		p.hangUp()
		return err
	}
	return nil
}

func (p *Paho) hangUp() {
	if p.client != nil {
		p.client.Disconnect(0)
		p.client = nil
	}
}

// wait waits for a token, at most mqttTimeout and as long as ctx allows.
func wait(ctx context.Context, t paho.Token) error {
	ctx, cancel := context.WithTimeout(ctx, mqttTimeout)
	defer cancel()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return fmt.Errorf("no confirmation from the broker: %w", ctx.Err())
	}
}
