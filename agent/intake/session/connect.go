package session

import (
	"context"
	"fmt"
	"maps"
	"net"
	"net/url"
	"slices"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// connectOnce connects, subscribes and stays until the connection is lost or ctx ends. The client is a new
// one each time: one that was disconnected must not be used again.
func (s *Session) connectOnce(ctx context.Context) error {
	lost := make(chan error, 1)
	// While connecting, the end of ctx cuts the connection; afterwards it is taken down in good order.
	connecting, cut := context.WithCancel(ctx)
	defer cut()
	stopCutting := func() bool { return true }
	client := mqtt.NewClient(s.options(lost, func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		conn, err := s.dialer.dial(connecting, s.timing.connect)
		if err == nil {
			stopCutting = context.AfterFunc(connecting, func() { _ = conn.Close() })
		}
		return conn, err
	}))
	token := client.Connect()
	<-token.Done() // bounded by the connect timeout, and by ctx through the dialer
	if err := token.Error(); err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	stopCutting()
	defer client.Disconnect(uint(s.timing.disconnect.Milliseconds()))
	s.announce()
	if err := s.subscribe(client); err != nil {
		return err
	}
	s.connects.Add(1)
	s.note(true, nil)
	s.log.Info("mqtt connected", "topics", len(s.topics))
	return s.stay(ctx, client, lost)
}

// stay waits for the end of a connection, and meanwhile drops what the broker still holds from an earlier
// configuration: a persistent session keeps its subscriptions.
func (s *Session) stay(ctx context.Context, client mqtt.Client, lost <-chan error) error {
	const remembered = 1000
	unsubscribed := map[string]bool{}
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-lost:
			return fmt.Errorf("connection lost: %w", err)
		case out := <-s.outgoing:
			token := client.Publish(out.topic, 0, false, out.payload)
			if !token.WaitTimeout(s.timing.subscribe) || token.Error() != nil {
				s.log.Warn("cannot publish", "topic", out.topic, "error", token.Error())
			}
		case topic := <-s.unwanted:
			if unsubscribed[topic] || len(unsubscribed) == remembered {
				continue
			}
			unsubscribed[topic] = true
			token := client.Unsubscribe(topic)
			if !token.WaitTimeout(s.timing.subscribe) || token.Error() != nil {
				s.log.Warn("cannot unsubscribe from a topic that is not configured", "topic", topic, "error", token.Error())
				continue
			}
			s.log.Info("unsubscribed from a topic that is not configured any more", "topic", topic)
		}
	}
}

func (s *Session) options(lost chan<- error, open mqtt.OpenConnectionFunc) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions()
	// The address is only for the library's own books, the dialer knows the way; with the scheme mqtt it
	// adds no TLS of its own.
	o.AddBroker("mqtt://" + s.dialer.address)
	o.SetCustomOpenConnectionFn(open)
	o.SetProtocolVersion(4) // MQTT 3.1.1, without falling back to 3.1
	o.SetClientID(s.mqtt.ClientID)
	o.SetUsername(s.mqtt.Username)
	o.SetPassword(string(s.mqtt.Password))
	o.SetCleanSession(s.passing)
	o.SetOrderMatters(true)
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetKeepAlive(s.timing.keepAlive)
	o.SetPingTimeout(s.timing.ping)
	o.SetConnectTimeout(s.timing.connect)
	o.SetWriteTimeout(s.timing.subscribe)
	// Set before connecting: a kept session delivers before anything is subscribed, and a message without
	// a handler is never acknowledged.
	o.SetDefaultPublishHandler(s.receive)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { lost <- err })
	return o
}

// subscribe asks for all topics, in packets of a size that every broker takes.
func (s *Session) subscribe(client mqtt.Client) error {
	const together = 100
	for topics := range slices.Chunk(s.topics, together) {
		filters := map[string]byte{}
		for _, t := range topics {
			filters[t] = s.mqtt.QoS
		}
		token := client.SubscribeMultiple(filters, nil)
		if !token.WaitTimeout(s.timing.subscribe) {
			return fmt.Errorf("subscribe: no answer within %s", s.timing.subscribe)
		}
		if err := token.Error(); err != nil {
			return fmt.Errorf("subscribe: %w", err)
		}
		if err := refused(token); err != nil {
			// The others go on: one topic that the broker forbids must not blind every pump.
			s.log.Error("mqtt subscription refused", "error", err)
			s.note(false, err)
		}
	}
	return nil
}

// refused names the topics that the broker did not grant (MQTT 3.1.1, section 3.9.3: return code 0x80).
func refused(token mqtt.Token) error {
	const failure = 0x80
	granted, ok := token.(*mqtt.SubscribeToken)
	if !ok {
		return nil
	}
	var topics []string
	for _, topic := range slices.Sorted(maps.Keys(granted.Result())) {
		if granted.Result()[topic] == failure {
			topics = append(topics, topic)
		}
	}
	if topics == nil {
		return nil
	}
	return fmt.Errorf("subscribe: the broker refuses %q", topics)
}
