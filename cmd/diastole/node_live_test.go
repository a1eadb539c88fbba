package main

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"diastole/agent/intake/sparkplug"
)

// edgeNode is a Sparkplug edge node with one pump. It publishes its births only when it is asked, as one that has been up for long.
type edgeNode struct {
	client mqtt.Client
	mu     sync.Mutex
	seq    uint64
	births int
	count  float64
}

func startNode(t *testing.T, broker string) *edgeNode {
	t.Helper()
	n := &edgeNode{seq: 100}
	// Its will is its death: QoS 1, not retained, with bdSeq and without seq.
	will := sparkplug.Payload{Metrics: []sparkplug.Metric{sparkplug.NewMetric("bdSeq", sparkplug.Int64, time.Now(), 5)}}.Encode()
	n.client = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("mqtt://"+broker).SetClientID("node").SetAutoReconnect(false).
		SetBinaryWill("spBv1.0/works/NDEATH/gw", will, 1, false))
	wait(t, n.client.Connect())
	wait(t, n.client.Subscribe("spBv1.0/works/NCMD/gw", 1, func(_ mqtt.Client, m mqtt.Message) {
		p, err := sparkplug.Decode(m.Payload())
		if err != nil || len(p.Metrics) != 1 || p.Metrics[0].Name != "Node Control/Rebirth" {
			t.Errorf("a command %+v, %v", p, err)
		}
		go n.born() // a handler must not publish
	}))
	return n
}

func (n *edgeNode) publish(kind sparkplug.Type, device string, metrics ...sparkplug.Metric) {
	now := time.Now()
	p := sparkplug.Payload{Timestamp: uint64(now.UnixMilli()), HasTimestamp: true, Seq: n.seq % 256, HasSeq: true, Metrics: metrics}
	n.seq++
	n.client.Publish(sparkplug.Topic{Group: "works", Type: kind, Node: "gw", Device: device}.String(), 0, false, p.Encode()).Wait()
}

func (n *edgeNode) born() {
	n.mu.Lock()
	defer n.mu.Unlock()
	now := time.Now()
	n.seq = 0
	n.births++
	n.publish(sparkplug.NodeBirth, "", sparkplug.NewMetric("bdSeq", sparkplug.Int64, now, 5))
	var metrics []sparkplug.Metric
	for i, name := range []string{"air pressure", "discharge pressure", "strokes"} {
		m := sparkplug.NewMetric(name, sparkplug.Float, now, 5)
		m.Alias, m.HasAlias = uint64(i+1), true
		metrics = append(metrics, m)
	}
	n.publish(sparkplug.DeviceBirth, "P-101", metrics...)
}

// data publishes one reading of each, by aliases alone.
func (n *edgeNode) data() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.count++
	var metrics []sparkplug.Metric
	for i, v := range []float64{5 + 0.01*float64(int(n.count)%3), 2 + 0.01*float64(int(n.count)%5), n.count} {
		m := sparkplug.NewMetric("", sparkplug.Float, time.Now(), v)
		m.HasName, m.Alias, m.HasAlias = false, uint64(i+1), true
		metrics = append(metrics, m)
	}
	n.publish(sparkplug.DeviceData, "P-101", metrics...)
}

// TestFromAnUnknownBrokerToDeath: discover asks a node for its names and proposes a configuration; the agent reads with it, notices a lost
// message and that the node has died.
func TestFromAnUnknownBrokerToDeath(t *testing.T) {
	broker := startMosquitto(t)
	n := startNode(t, broker)
	stop := make(chan struct{})
	var feeding sync.WaitGroup
	feeding.Go(func() {
		every := time.NewTicker(50 * time.Millisecond)
		defer every.Stop()
		for {
			select {
			case <-stop:
				return
			case <-every.C:
				n.data()
			}
		}
	})
	proposed := output(t, "discover", "--broker", "mqtt://"+broker, "--for", "2s")
	dir := t.TempDir()
	page := "http://" + freeAddress(t)
	file := filepath.Join(dir, "diastole.yaml")
	text := proposed + fmt.Sprintf("web: {listen: %q}\nstate_dir: state\n", strings.TrimPrefix(page, "http://"))
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	checked := output(t, "check", "-c", file)
	if !strings.Contains(checked, "1 pump") || !strings.Contains(checked, "check-valve-leak") {
		t.Fatalf("%s\n%s", proposed, checked)
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 5 * time.Second}
	get := func(path string) string {
		res, err := client.Get(page + path)
		if err != nil {
			return ""
		}
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		if err != nil {
			return ""
		}
		return string(body)
	}
	accepted := func() (n int) {
		for line := range strings.Lines(get("/metrics")) {
			if strings.HasPrefix(line, "diastole_") && strings.Contains(line, `"accepted"`) {
				_, _ = fmt.Sscan(line[strings.LastIndexByte(line, ' '):], &n)
			}
		}
		return n
	}
	births := func() int {
		n.mu.Lock()
		defer n.mu.Unlock()
		return n.births
	}
	before := births()
	agent := start(t, "run", "-c", file)
	eventually(t, "the agent takes values", func() bool { return accepted() > 20 })
	if got := births() - before; got != 1 {
		t.Errorf("the agent asked for births %d times at its start", got)
	}
	n.mu.Lock()
	n.seq += 3 // lost messages
	n.mu.Unlock()
	eventually(t, "the node is asked again", func() bool { return births()-before == 2 })
	had := accepted()
	eventually(t, "values go on", func() bool { return accepted() > had+20 })
	if m := get("/metrics"); !strings.Contains(m, `reason="sequence"`) {
		t.Error("no message was refused for its number")
	}
	close(stop)
	feeding.Wait()
	if err := dropConnection(n.client); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the node is known to be dead", func() bool { return strings.Contains(get("/pumps/P-101"), "its sender is offline since") })
	if code := agent.end(t, syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// dropConnection ends a client without a farewell, so that the broker publishes its will.
func dropConnection(c mqtt.Client) error {
	other := mqtt.NewClient(optionsOf(c))
	token := other.Connect() // a client of the same id takes the session over (MQTT 3.1.1, 3.1.4), and the will of the first is published
	if !token.WaitTimeout(10 * time.Second) {
		return fmt.Errorf("the broker does not answer")
	}
	defer other.Disconnect(0)
	return token.Error()
}

func optionsOf(c mqtt.Client) *mqtt.ClientOptions {
	r := c.OptionsReader()
	return mqtt.NewClientOptions().AddBroker(r.Servers()[0].String()).SetClientID(r.ClientID()).SetAutoReconnect(false)
}
