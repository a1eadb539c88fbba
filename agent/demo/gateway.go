package demo

import (
	"context"
	"errors"
	"fmt"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"diastole/agent"
)

const (
	// patience is how long the broker or the agent may take for what takes milliseconds.
	patience = time.Minute
	poll     = time.Millisecond
	quiesce  = 250 // ms, in which the farewell reaches the broker
)

// gateway publishes what the plant's instruments read, as any MQTT client would.
type gateway struct {
	agent  *agent.Agent
	stage  *stage
	client paho.Client
	sent   int64
	// lost tells why the connection ended, where it did by itself.
	lost chan error
}

// newGateway connects to the agent's broker and waits until the agent listens there too.
func newGateway(ctx context.Context, a *agent.Agent, s *stage) (*gateway, error) {
	g := &gateway{agent: a, stage: s, lost: make(chan error, 1)}
	o := paho.NewClientOptions().
		AddBroker("mqtt://" + a.BrokerAddr()).
		SetClientID("harbour-glaze-works-gateway").
		SetAutoReconnect(false).
		SetKeepAlive(12 * time.Hour). // a machine that slept for a while is no reason to hang up
		SetConnectTimeout(patience).
		SetWriteTimeout(patience).
		SetConnectionLostHandler(func(_ paho.Client, err error) { g.lost <- err })
	g.client = paho.NewClient(o)
	if err := wait(ctx, g.client.Connect()); err != nil {
		g.close()
		return nil, fmt.Errorf("demo: connect the simulated plant: %w", err)
	}
	err := g.until(ctx, func() bool { return a.Session().Connected })
	if err != nil {
		g.close()
		return nil, fmt.Errorf("demo: the agent does not listen to its broker: %w", err)
	}
	return g, nil
}

func (g *gateway) close() { g.client.Disconnect(quiesce) }

// hour plays one burst and the pause after it.
func (g *gateway) hour(ctx context.Context) error {
	for next := g.stage.player.Now().Add(every); g.stage.player.Now().Before(next); {
		if err := g.second(ctx); err != nil {
			return err
		}
	}
	return nil
}

// second plays a second, and returns when the agent has taken all of it.
func (g *gateway) second(ctx context.Context) error {
	messages := g.stage.second()
	tokens := make([]paho.Token, len(messages))
	for i, m := range messages {
		tokens[i] = g.client.Publish(m.topic, 1, false, m.payload)
	}
	for i, t := range tokens {
		if err := wait(ctx, t); err != nil {
			return fmt.Errorf("demo: publish to %s: %w", messages[i].topic, g.because(err))
		}
	}
	g.sent += int64(len(messages))
	if err := g.until(ctx, func() bool { return g.agent.Judged() >= g.sent }); err != nil {
		return fmt.Errorf("demo: the agent took %d of %d messages: %w", g.agent.Judged(), g.sent, err)
	}
	g.stage.taken()
	return nil
}

// because adds to an error what ended the connection.
func (g *gateway) because(err error) error {
	select {
	case cause := <-g.lost:
		return errors.Join(err, fmt.Errorf("connection lost: %w", cause))
	default:
		return err
	}
}

// until waits for a condition of the agent.
func (g *gateway) until(ctx context.Context, met func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	ticker := time.NewTicker(poll)
	defer ticker.Stop()
	for !met() {
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// wait waits for the broker's word.
func wait(ctx context.Context, t paho.Token) error {
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return errors.New("no answer from the broker")
	}
}
