package session

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// hasty is the timing of tests.
var hasty = timing{
	keepAlive: time.Second, ping: time.Second, connect: 2 * time.Second, subscribe: 2 * time.Second,
	retryMin: 20 * time.Millisecond, retryMax: 100 * time.Millisecond, steady: time.Second, disconnect: time.Second,
}

// listener runs a session and keeps what it hands over.
type listener struct {
	*Session
	log  *logBuffer
	stop func()
	hold chan struct{} // what Run's handler waits for, if anything
	mu   sync.Mutex
	got  []intake.Message
}

func listen(t *testing.T, m config.MQTT, topics []string, change func(*listener)) *listener {
	t.Helper()
	l := &listener{log: &logBuffer{}}
	if m.ClientID == "" {
		m.ClientID = "listener"
	}
	m.QoS = 1
	s, err := New(m, topics, time.Now, slog.New(slog.NewTextHandler(l.log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	s.timing = hasty
	l.Session = s
	if change != nil {
		change(l)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var run sync.WaitGroup
	run.Go(func() { s.Run(ctx, l.message, func(time.Time) {}) })
	l.stop = func() { cancel(); run.Wait() }
	t.Cleanup(l.stop)
	return l
}

func (l *listener) message(m intake.Message) {
	if l.hold != nil {
		<-l.hold
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.got = append(l.got, m)
}

func (l *listener) payloads() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	var p []string
	for _, m := range l.got {
		p = append(p, string(m.Payload))
	}
	return p
}

func (l *listener) waitConnected(t *testing.T) {
	t.Helper()
	eventually(t, "the session is connected", func() bool { return l.Status().Connected })
}

func (l *listener) waitFor(t *testing.T, last string) {
	t.Helper()
	eventually(t, fmt.Sprintf("message %q has come", last), func() bool {
		p := l.payloads()
		return len(p) > 0 && p[len(p)-1] == last
	})
}

// publisher is a plant: a client of its own, straight at the broker.
type publisher struct {
	t      *testing.T
	client mqtt.Client
}

func publish(t *testing.T, address string) *publisher {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker("mqtt://" + address).SetClientID("plant").SetAutoReconnect(false)
	c := mqtt.NewClient(o)
	if token := c.Connect(); !token.WaitTimeout(5*time.Second) || token.Error() != nil {
		t.Fatalf("the publisher cannot connect: %v", token.Error())
	}
	t.Cleanup(func() { c.Disconnect(500) })
	return &publisher{t, c}
}

func (p *publisher) send(topic, text string) { p.sendAs(topic, text, false) }

func (p *publisher) sendAs(topic, text string, retained bool) {
	p.t.Helper()
	if token := p.client.Publish(topic, 1, retained, text); !token.WaitTimeout(5*time.Second) || token.Error() != nil {
		p.t.Fatalf("publish: %v", token.Error())
	}
}

func at(address string) config.MQTT { return config.MQTT{Broker: "mqtt://" + address} }

// forEachBroker runs one part of the contract against every broker.
func forEachBroker(t *testing.T, s security, test func(t *testing.T, b broker)) {
	for name, newBroker := range brokers() {
		t.Run(name, func(t *testing.T) {
			b := newBroker(t, s)
			b.start(t)
			t.Cleanup(func() { b.stop(t) })
			test(t, b)
		})
	}
}

func TestMessagesComeInOrderWithTheirMarks(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		plant := publish(t, b.address())
		plant.sendAs("p/kept", "old", true)
		before := time.Now()
		l := listen(t, at(b.address()), []string{"p/kept", "p/count"}, nil)
		l.waitFor(t, "old")
		var want []string
		for i := range 200 {
			plant.send("p/count", fmt.Sprint(i))
			want = append(want, fmt.Sprint(i))
		}
		plant.sendAs("p/kept", "live", true)
		l.waitFor(t, "live")
		l.stop()
		// QoS 1 is at least once: a broker may send one twice in a row.
		if diff := cmp.Diff(append(append([]string{"old"}, want...), "live"), slices.Compact(l.payloads())); diff != "" {
			t.Errorf("(-sent +received):\n%s", diff)
		}
		for i, m := range l.got {
			// A broker may acknowledge "old" before it has passed it on, so that a live copy follows.
			if text := string(m.Payload); i == 0 && !m.Retained || text != "old" && m.Retained {
				t.Errorf("message %d, %q, has the retained mark %t", i, text, m.Retained)
			}
			if i > 0 && m.Arrival.Before(l.got[i-1].Arrival) || m.Arrival.Before(before.Add(-time.Millisecond)) || m.Arrival.After(time.Now()) {
				t.Errorf("message %d arrived at %v", i, m.Arrival)
			}
		}
		if s := l.Status(); s.Received != int64(len(l.got)) || s.Dropped != 0 || s.Connects != 1 || s.Connected {
			t.Errorf("%+v", s)
		}
	})
}

// What is published at QoS 1 while the line is down comes when it is up again.
func TestBrokenLineLosesNothing(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		p := newProxy(t, b.address())
		plant := publish(t, b.address())
		l := listen(t, at(p.address()), []string{"p/count"}, nil)
		l.waitConnected(t)
		plant.send("p/count", "before")
		l.waitFor(t, "before")
		p.refuse(true)
		p.cut()
		eventually(t, "the loss is seen", func() bool { return !l.Status().Connected && l.Status().LastError != "" })
		missing := map[string]bool{}
		for i := range 20 {
			plant.send("p/count", fmt.Sprint(i))
			missing[fmt.Sprint(i)] = true
		}
		p.refuse(false)
		// At least once and in any order is all that a broker promises for what it stored.
		eventually(t, "all stored messages have come", func() bool {
			for _, text := range l.payloads() {
				delete(missing, text)
			}
			return len(missing) == 0
		})
		l.waitConnected(t) // a kept session delivers before it is subscribed again
		if s := l.Status(); s.Connects != 2 || s.Dropped != 0 {
			t.Errorf("%+v", s)
		}
	})
}

// A line on which nothing moves any more, but that nobody closes, is given up and made anew.
func TestStalledLineIsMadeAnew(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		p := newProxy(t, b.address())
		plant := publish(t, b.address())
		l := listen(t, at(p.address()), []string{"p/count"}, nil)
		l.waitConnected(t)
		p.stall(true)
		eventually(t, "the stall is seen", func() bool { return !l.Status().Connected })
		plant.send("p/count", "after")
		p.stall(false)
		l.waitFor(t, "after")
		l.waitConnected(t)
		if s := l.Status(); !strings.Contains(s.LastError, "connection lost") || s.Connects < 2 {
			t.Errorf("%+v", s)
		}
	})
}

// A broker that dies and comes back has forgotten the session: the topics are subscribed again.
func TestBrokerRestart(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		l := listen(t, at(b.address()), []string{"p/a", "p/b"}, nil)
		l.waitConnected(t)
		b.stop(t)
		eventually(t, "the loss is seen", func() bool { return !l.Status().Connected })
		b.start(t)
		l.waitConnected(t)
		plant := publish(t, b.address())
		plant.send("p/a", "1")
		plant.send("p/b", "2")
		l.waitFor(t, "2")
		if !l.log.contains("mqtt connection down") || !l.log.contains("mqtt connected") {
			t.Error("the log tells neither loss nor return")
		}
	})
}

// A session that starts before its broker waits for it, and stops at once when told.
func TestNoBrokerYet(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		b.stop(t)
		l := listen(t, at(b.address()), []string{"p/a"}, nil)
		eventually(t, "the failure is told", func() bool { return strings.Contains(l.Status().LastError, "refused") })
		b.start(t)
		l.waitConnected(t)
		l.stop()
		b.stop(t)
		down := listen(t, at(b.address()), []string{"p/a"}, func(l *listener) { l.timing = patient })
		eventually(t, "it waits for the next attempt", func() bool { return down.Status().LastError != "" })
		began := time.Now()
		down.stop()
		if took := time.Since(began); took > time.Second/2 {
			t.Errorf("stopping took %s", took)
		}
		b.start(t)
	})
}

// Every message is either handled or counted as dropped.
func TestFullQueueDropsAndCounts(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		for name, change := range map[string]func(*listener){
			"messages": func(l *listener) { l.queue = make(chan intake.Message, 5) },
			"bytes":    func(l *listener) { l.maxBytes = 50 },
		} {
			hold := make(chan struct{})
			l := listen(t, config.MQTT{Broker: "mqtt://" + b.address(), ClientID: name}, []string{"p/" + name}, func(l *listener) {
				l.hold = hold
				change(l)
			})
			l.waitConnected(t)
			plant := publish(t, b.address())
			for range 50 {
				plant.send("p/"+name, "0123456789")
			}
			eventually(t, "all have been received", func() bool { return l.Status().Received == 50 })
			close(hold)
			l.stop()
			s := l.Status()
			if handled := int64(len(l.got)); handled+s.Dropped != 50 || handled < 5 || handled > 6 {
				t.Errorf("%s: %d handled, %d dropped of 50", name, handled, s.Dropped)
			}
		}
	})
}

// A persistent session keeps subscriptions that the configuration has lost since.
func TestForgottenTopicsAreUnsubscribed(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		listen(t, at(b.address()), []string{"p/old", "p/count"}, nil).waitConnectedAndStop(t)
		plant := publish(t, b.address())
		l := listen(t, at(b.address()), []string{"p/count"}, nil)
		l.waitConnected(t)
		plant.send("p/old", "x")
		eventually(t, "the old topic is unsubscribed", func() bool { return l.log.contains("not configured any more") })
		plant.send("p/old", "y")
		plant.send("p/count", "z")
		l.waitFor(t, "z")
		if s := l.Status(); s.Unrouted != 1 || len(l.payloads()) != 1 {
			t.Errorf("%+v, messages %q", s, l.payloads())
		}
	})
}

func (l *listener) waitConnectedAndStop(t *testing.T) {
	t.Helper()
	l.waitConnected(t)
	l.stop()
}

func TestMoreTopicsThanOnePacketHolds(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		var topics []string
		for i := range 250 {
			topics = append(topics, fmt.Sprintf("p/%d", i))
		}
		l := listen(t, at(b.address()), topics, nil)
		l.waitConnected(t)
		plant := publish(t, b.address())
		for _, topic := range topics {
			plant.send(topic, topic)
		}
		l.waitFor(t, "p/249")
		if diff := cmp.Diff(topics, l.payloads()); diff != "" {
			t.Error(diff)
		}
	})
}

func TestLargePayloadsReachTheDecoderCut(t *testing.T) {
	forEachBroker(t, security{}, func(t *testing.T, b broker) {
		l := listen(t, at(b.address()), []string{"p/big"}, nil)
		l.waitConnected(t)
		publish(t, b.address()).send("p/big", strings.Repeat("1", 2*payload.MaxSize))
		eventually(t, "it has come", func() bool { return len(l.payloads()) == 1 })
		if n := len(l.payloads()[0]); n != payload.MaxSize+1 {
			t.Errorf("%d bytes reach the decoder; want %d", n, payload.MaxSize+1)
		}
	})
}

func TestUserAndPassword(t *testing.T) {
	forEachBroker(t, security{user: "agent", password: "right"}, func(t *testing.T, b broker) {
		m := at(b.address())
		m.Username, m.Password = "agent", "wrong"
		l := listen(t, m, []string{"p/a"}, nil)
		eventually(t, "the refusal is told", func() bool {
			return strings.Contains(strings.ToLower(l.Status().LastError), "not authorized") ||
				strings.Contains(l.Status().LastError, "bad user name or password")
		})
		l.stop()
		if l.log.contains("wrong") {
			t.Error("the log shows the password")
		}
		m.Password = "right"
		listen(t, m, []string{"p/a"}, nil).waitConnectedAndStop(t)
	})
}

// One topic that the broker forbids is told, and the others work. (mosquitto 2.0 grants such a subscription
// and then delivers nothing, so only the in-process broker shows this.)
func TestForbiddenTopic(t *testing.T) {
	b := newMochi(t, security{forbidden: "p/forbidden"})
	b.start(t)
	t.Cleanup(func() { b.stop(t) })
	l := listen(t, at(b.address()), []string{"p/a", "p/forbidden"}, nil)
	l.waitConnected(t)
	if s := l.Status(); !strings.Contains(s.LastError, `the broker refuses ["p/forbidden"]`) {
		t.Errorf("%+v", s)
	}
	publish(t, b.address()).send("p/a", "1")
	l.waitFor(t, "1")
}

func TestTLSWithCertificates(t *testing.T) {
	certs := newCertificates(t)
	forEachBroker(t, security{certs: certs}, func(t *testing.T, b broker) {
		m := config.MQTT{
			Broker: "mqtts://" + b.address(), CAFile: certs.ca,
			CertFile: certs.client + ".crt", KeyFile: certs.client + ".key",
		}
		listen(t, m, []string{"p/a"}, nil).waitConnectedAndStop(t)

		m.CAFile = certs.client + ".crt" // not the authority that signed the broker's
		l := listen(t, m, []string{"p/a"}, nil)
		eventually(t, "the unknown authority is told", func() bool { return strings.Contains(l.Status().LastError, "certificate") })
		l.stop()

		m.CAFile, m.CertFile, m.KeyFile = certs.ca, "", ""
		l = listen(t, m, []string{"p/a"}, nil)
		eventually(t, "the missing certificate is told", func() bool { return l.Status().LastError != "" })
		if l.Status().Connected {
			t.Error("connected without a client certificate")
		}
	})
}

func TestNewNamesWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty.pem")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		m    config.MQTT
		want string
	}{
		{config.MQTT{Broker: "mqtt://h"}, "client id is empty"},
		{config.MQTT{Broker: "http://h", ClientID: "c"}, "allowed is mqtt://host:port or mqtts://host:port"},
		{config.MQTT{Broker: "h:1883", ClientID: "c"}, "allowed is"},
		{config.MQTT{Broker: "mqtt://", ClientID: "c"}, "allowed is"},
		{config.MQTT{Broker: "mqtts://h", ClientID: "c", CAFile: filepath.Join(dir, "absent")}, "ca_file"},
		{config.MQTT{Broker: "mqtts://h", ClientID: "c", CAFile: empty}, "holds no certificate"},
		{config.MQTT{Broker: "mqtts://h", ClientID: "c", CertFile: empty}, "cert_file"},
	} {
		_, err := New(tt.m, nil, time.Now, slog.New(slog.DiscardHandler))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: %v; want %q", tt.m, err, tt.want)
		}
	}
	for broker, want := range map[string]string{"mqtt://h": "h:1883", "mqtts://h": "h:8883", "mqtt://[::1]:7": "[::1]:7"} {
		s, err := New(config.MQTT{Broker: broker, ClientID: "c"}, nil, time.Now, slog.New(slog.DiscardHandler))
		if err != nil || s.dialer.address != want {
			t.Errorf("%s: %v; want %s", broker, err, want)
		}
	}
}

// A session with patterns tells of each connection before its first message, takes what matches, and publishes.
func TestAnnounceAndPublish(t *testing.T) {
	s, err := New(config.MQTT{ClientID: "x", Broker: "mqtt://127.0.0.1:1"}, []string{"a/+/c", "d"}, time.Now, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	for topic, want := range map[string]bool{"a/b/c": true, "d": true, "a/b": false, "a/+/c": true} {
		if got := s.wants(topic); got != want {
			t.Errorf("%s: %t", topic, got)
		}
	}
	s.announce()
	if m := <-s.queue; m.Topic != intake.ConnectedTopic || m.Arrival.IsZero() {
		t.Errorf("%+v", m)
	}
	for range outgoingKept {
		if !s.Publish("t", nil) {
			t.Fatal("refused before it is full")
		}
	}
	if s.Publish("t", nil) {
		t.Error("a full queue takes more")
	}
	plain, err := New(config.MQTT{ClientID: "x", Broker: "mqtt://127.0.0.1:1"}, []string{"d"}, time.Now, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if plain.announce(); len(plain.queue) != 0 {
		t.Error("a session without patterns announces its connections")
	}
}
