package outlet

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/agent/store"
)

// published notes what is published.
type published struct {
	messages []string
	err      error
}

func (p *published) Publish(_ context.Context, topic string, qos byte, retained bool, payload []byte) error {
	p.messages = append(p.messages, fmt.Sprintf("%s %d %t %s", topic, qos, retained, payload))
	return p.err
}
func (p *published) Connected() bool { return true }
func (p *published) Close()          {}

func TestTopics(t *testing.T) {
	to := &published{}
	m := NewMQTT("broker", "diastole", "north-works", to)
	rows := []store.Row{
		{Kind: store.KindEvent, Pump: "P-101", JSON: []byte(`{"e":1}`)},
		{Kind: store.KindState, Pump: "P-101", JSON: []byte(`{"s":1}`)},
		{Kind: store.KindHeartbeat, JSON: []byte(`{"b":1}`)},
	}
	if done, err := m.Send(t.Context(), rows); done != 3 || err != nil {
		t.Fatal(done, err)
	}
	want := []string{
		`diastole/north-works/P-101/events 1 false {"e":1}`,
		`diastole/north-works/P-101/state 1 true {"s":1}`,
		`diastole/north-works/events 1 false {"b":1}`,
	}
	if d := cmp.Diff(want, to.messages); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	for _, pump := range []string{"P+1", "P#1", "P\x00", strings.Repeat("p", 65536)} {
		if done, err := m.Send(t.Context(), []store.Row{rows[0], {Kind: store.KindEvent, Pump: pump}}); done != 1 || !IsPermanent(err) {
			t.Errorf("pump %.5q: %d, %v", pump, done, err)
		}
	}
	to.err = errors.New("no broker")
	if done, err := m.Send(t.Context(), rows); done != 0 || !errors.Is(err, to.err) || IsPermanent(err) {
		t.Errorf("%d, %v", done, err)
	}
}

// badBroker takes connections and then does as told with each publish.
func badBroker(t *testing.T, onPublish func(net.Conn, *packets.PublishPacket)) string {
	t.Helper()
	l := must(net.Listen("tcp", "127.0.0.1:0"))(t)
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			wg.Go(func() {
				defer c.Close()
				for {
					p, err := packets.ReadPacket(c)
					if err != nil {
						return
					}
					switch p := p.(type) {
					case *packets.ConnectPacket:
						_ = packets.NewControlPacket(packets.Connack).Write(c)
					case *packets.PublishPacket:
						onPublish(c, p)
					}
				}
			})
		}
	})
	t.Cleanup(func() {
		l.Close()
		wg.Wait()
	})
	return "mqtt://" + l.Addr().String()
}

// A publish counts only when the broker has confirmed it: neither a connection that breaks instead nor
// silence is a success.
func TestOnlyAConfirmationCounts(t *testing.T) {
	puback := func(c net.Conn, p *packets.PublishPacket) {
		ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
		ack.MessageID = p.MessageID
		_ = ack.Write(c)
	}
	var n atomic.Int64
	broker := badBroker(t, func(c net.Conn, p *packets.PublishPacket) {
		switch n.Add(1) {
		case 1: // the connection breaks
			c.Close()
		case 2: // silence
		default:
			puback(c, p)
		}
	})
	p := NewPaho(PahoOptions{Broker: broker, ClientID: "out"})
	defer p.Close()
	if err := p.Publish(t.Context(), "t", 1, false, []byte("1")); err == nil {
		t.Error("a broken connection was taken for a confirmation")
	}
	if p.Connected() {
		t.Error("connected after the connection broke")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if err := p.Publish(ctx, "t", 1, false, []byte("1")); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("silence: %v", err)
	}
	if err := p.Publish(t.Context(), "t", 1, false, []byte("1")); err != nil || !p.Connected() {
		t.Errorf("confirmed: %v", err)
	}
}

func TestNoBroker(t *testing.T) {
	p := NewPaho(PahoOptions{Broker: fmt.Sprintf("mqtt://127.0.0.1:%d", freePort(t)), ClientID: "out"})
	defer p.Close()
	if err := p.Publish(t.Context(), "t", 1, false, nil); err == nil || !strings.Contains(err.Error(), "127.0.0.1") {
		t.Errorf("error %v", err)
	}
}

// Through a real broker that is killed and comes back: a listener with a session gets every event, in the
// order of their numbers, and a late one gets the newest state at once.
func TestMosquittoKilledAndRestarted(t *testing.T) {
	path := server(t, "mosquitto")
	dir, port := t.TempDir(), freePort(t)
	if err := os.Chmod(dir, 0o777); err != nil { // the broker may drop its rights
		t.Fatal(err)
	}
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 1\n", port)
	if err := os.WriteFile(conf, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	kill := launch(t, port, path, "-c", conf)
	address := fmt.Sprintf("mqtt://127.0.0.1:%d", port)

	var mu sync.Mutex
	var got []string
	listen := func(topic string) paho.Client {
		c := paho.NewClient(paho.NewClientOptions().AddBroker(address).SetClientID("listener-" + topic).SetCleanSession(true).SetAutoReconnect(false))
		note := func(_ paho.Client, m paho.Message) {
			mu.Lock()
			defer mu.Unlock()
			got = append(got, m.Topic()+" "+string(m.Payload()))
		}
		steps := []func() paho.Token{c.Connect, func() paho.Token { return c.Subscribe(topic, 1, note) }}
		for _, step := range steps {
			if token := step(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
				t.Fatalf("listener: %v", token.Error())
			}
		}
		return c
	}
	received := func() int {
		mu.Lock()
		defer mu.Unlock()
		return len(got)
	}
	listener := listen("diastole/+/+/events")

	m := NewMQTT("broker", "diastole", "north-works", NewPaho(PahoOptions{Broker: address, ClientID: "out"}))
	box := openStore(t, store.Options{}, store.Receiver{Name: "broker", Kinds: m.Kinds()})
	defer closeStore(t, box)
	runner := NewRunner(box, []Sender{m}, 1, quiet(t))
	stop := start(t, runner)
	defer stop()
	var want []string
	send := func(from, to int) {
		for n := from; n < to; n++ {
			commit(t, box, store.Batch{
				Events: []event.Event{someEvent(n)},
				States: []store.State{{Pump: "P-101", Time: t0, JSON: fmt.Appendf(nil, `{"n":%d}`, n)}},
			})
			want = append(want, "diastole/north-works/P-101/events "+string(eventRow(n).JSON))
			runner.Wake()
		}
	}
	send(0, 20)
	eventually(t, "20 events are there", func() bool { return received() == 20 })
	kill()
	listener.Disconnect(0)
	send(20, 40)
	eventually(t, "the runner notices", func() bool { return !runner.States()[0].Failing.IsZero() })
	kill = launch(t, port, path, "-c", conf)
	defer kill()
	listener = listen("diastole/+/+/events")
	eventually(t, "40 events are there", func() bool { return received() >= 40 })
	// An event whose confirmation was lost comes twice; nothing else may differ.
	mu.Lock()
	distinct := got[:0:0]
	for i, g := range got {
		if i == 0 || g != got[i-1] {
			distinct = append(distinct, g)
		}
	}
	got = nil
	mu.Unlock()
	if d := cmp.Diff(want, distinct); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	listener.Disconnect(0)
	eventually(t, "all is confirmed", func() bool { return len(must(box.Pending(t.Context(), "broker", 10))(t)) == 0 })
	late := listen("diastole/+/+/state")
	defer late.Disconnect(0)
	eventually(t, "the retained state is there", func() bool { return received() > 0 })
	mu.Lock()
	defer mu.Unlock()
	if d := cmp.Diff([]string{`diastole/north-works/P-101/state {"n":39}`}, got); d != "" {
		t.Errorf("state (-want +got):\n%s", d)
	}
}
