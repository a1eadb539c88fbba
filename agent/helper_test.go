package agent_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"diastole/agent"
	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/intake/recording"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// eventually waits for something outside the test's own goroutine.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	poll := time.NewTicker(10 * time.Millisecond)
	defer poll.Stop()
	for !ok() {
		select {
		case <-poll.C:
		case <-ctx.Done():
			t.Fatalf("still not so: %s", what)
		}
	}
}

// wear are the messages of a pump that wears: see testdata/e2e/README.md.
var wear = sync.OnceValues(func() ([]intake.Message, error) {
	return readRecording(filepath.Join("..", "testdata", "e2e", "wear.ndjson.zst"))
})

func readRecording(path string) ([]intake.Message, error) {
	r, err := recording.Open(path)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	var all []intake.Message
	for {
		m, err := r.Next()
		if errors.Is(err, io.EOF) {
			return all, nil
		}
		if err != nil {
			return nil, err
		}
		all = append(all, m)
	}
}

// setup is what differs between the agents of the tests.
type setup struct {
	broker  string // mqtt://…; empty: the embedded one
	state   string // folder; empty: a fresh one
	outlets string // YAML below outlets:
	channel string // YAML in place of the stroke counter's channel
	record  string
	log     io.Writer
	clock   func() time.Time // nil: one that stands still
}

// still is a clock that stands, after all data: then nothing depends on how fast the test runs.
func still() time.Time { return time.Date(2026, 3, 10, 0, 0, 0, 0, time.UTC) }

// configure is the configuration of the recording's pump with the tests' own addresses.
func configure(t testing.TB, s setup) *config.Config {
	t.Helper()
	text := string(must(os.ReadFile(filepath.Join("..", "testdata", "e2e", "diastole.yaml")))(t))
	replace := func(old, new string) {
		if !strings.Contains(text, old) {
			t.Fatalf("testdata/e2e/diastole.yaml has no %q", old)
		}
		text = strings.Replace(text, old, new, 1)
	}
	if s.broker != "" {
		replace("broker: mqtt://127.0.0.1:1883", "broker: "+s.broker)
	} else {
		replace("broker: mqtt://127.0.0.1:1883", "listen: 127.0.0.1:0")
	}
	if s.channel != "" {
		replace("{topic: works/p101/stroke_count, format: json, value: /total, time: /at}", s.channel)
	}
	if s.state == "" {
		s.state = t.TempDir()
	}
	text += fmt.Sprintf("web: {listen: \"127.0.0.1:0\"}\nstate_dir: %s\n", s.state)
	if s.outlets != "" {
		text += "outlets:\n" + s.outlets
	}
	return must(config.Parse("test.yaml", []byte(text)))(t)
}

// running is an agent at work.
type running struct {
	*agent.Agent
	mu   sync.Mutex
	told []event.Event
	stop func() // stops it; the test fails where it does not stop cleanly
}

func start(t testing.TB, s setup) *running {
	t.Helper()
	if s.log == nil {
		s.log = t.Output()
	}
	if s.clock == nil {
		s.clock = still
	}
	r := &running{}
	r.Agent = must(agent.New(t.Context(), agent.Options{
		Config: configure(t, s), Record: s.record, Clock: s.clock,
		Log: slog.New(slog.NewTextHandler(s.log, &slog.HandlerOptions{Level: slog.LevelWarn})),
		Tell: func(events []event.Event) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.told = append(r.told, events...)
		},
	}))(t)
	r.stop = sync.OnceFunc(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := r.Stop(ctx); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	t.Cleanup(r.stop)
	if err := r.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the agent is ready", func() bool { status, _ := r.get(t, "/readyz"); return status == http.StatusOK })
	return r
}

// tryStart is for agents that are not to start.
func tryStart(t testing.TB, s setup) error {
	t.Helper()
	a, err := agent.New(t.Context(), agent.Options{Config: configure(t, s), Log: slog.New(slog.DiscardHandler)})
	if err == nil {
		err = a.Stop(t.Context())
	}
	return err
}

func (r *running) events() []event.Event {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]event.Event(nil), r.told...)
}

// brokerURL is where its sensors publish.
func (r *running) brokerURL() string { return "mqtt://" + r.BrokerAddr() }

// client is for requests of the tests; its connections do not outlive them.
var client = &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 10 * time.Second}

func (r *running) get(t testing.TB, path string) (status int, body string) {
	t.Helper()
	res, err := client.Get("http://" + r.Addr() + path)
	return answer(t, res, err)
}

func (r *running) post(t testing.TB, path, body string) (status int, text string) {
	t.Helper()
	res, err := client.Post("http://"+r.Addr()+path, "application/json", strings.NewReader(body))
	return answer(t, res, err)
}

func answer(t testing.TB, res *http.Response, err error) (status int, body string) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	return res.StatusCode, string(must(io.ReadAll(res.Body))(t))
}

// tickets are those that the API lists.
func (r *running) tickets(t testing.TB) []event.Ticket {
	t.Helper()
	_, body := r.get(t, "/api/v1/tickets")
	var answer struct{ Tickets []event.Ticket }
	if err := json.Unmarshal([]byte(body), &answer); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	return answer.Tickets
}

// metric is the value of a series as it stands in /metrics, empty where there is none.
func (r *running) metric(t testing.TB, series string) string {
	t.Helper()
	_, body := r.get(t, "/metrics")
	for line := range strings.Lines(body) {
		if value, ok := strings.CutPrefix(strings.TrimSpace(line), series+" "); ok {
			return value
		}
	}
	return ""
}

// plant publishes sensor messages through a real client.
type plant struct{ mqtt.Client }

func connect(t testing.TB, broker, id string) plant {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(broker).SetClientID(id).SetAutoReconnect(false).SetWriteTimeout(10 * time.Second))
	wait(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(0) })
	return plant{c}
}

func wait(t testing.TB, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(20 * time.Second) {
		t.Fatal("the broker does not answer")
	}
	if err := token.Error(); err != nil {
		t.Fatal(err)
	}
}

// publish sends messages at QoS 1 and returns when the broker has them all.
func (p plant) publish(t testing.TB, messages ...intake.Message) {
	t.Helper()
	const together = 100 // under way at once: less than brokers queue
	tokens := make([]mqtt.Token, 0, together)
	for i, m := range messages {
		tokens = append(tokens, p.Publish(m.Topic, 1, m.Retained, m.Payload))
		if len(tokens) == together || i+1 == len(messages) {
			for _, token := range tokens {
				wait(t, token)
			}
			tokens = tokens[:0]
		}
	}
}

// feed publishes messages to the agent and waits until its channels have taken them.
func (p plant) feed(t testing.TB, r *running, messages []intake.Message) {
	t.Helper()
	for len(messages) > 0 {
		n := min(len(messages), 300)
		want := r.Judged() + int64(n)
		p.publish(t, messages[:n]...)
		eventually(t, "the agent has taken what was published", func() bool { return r.Judged() >= want })
		messages = messages[n:]
	}
}

// program is the path of an installed server program. Where it is missing the test is skipped, or fails where
// DIASTOLE_REQUIRE_SERVERS=1 says that it must be there.
func program(t testing.TB, name string) string {
	t.Helper()
	for _, candidate := range []string{name, "/usr/sbin/" + name} {
		if path, err := exec.LookPath(candidate); err == nil {
			return path
		}
	}
	if os.Getenv("DIASTOLE_REQUIRE_SERVERS") == "1" {
		t.Fatalf("%s is not installed, and DIASTOLE_REQUIRE_SERVERS=1", name)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

// freeAddress is a loopback address with a port that nobody listened on a moment ago.
func freeAddress(t testing.TB) string {
	t.Helper()
	l := must(net.Listen("tcp", "127.0.0.1:0"))(t)
	defer l.Close()
	return l.Addr().String()
}

// launch starts a server program and waits until it listens; kill ends it at once.
func launch(t testing.TB, address, path string, args ...string) (kill func()) {
	t.Helper()
	cmd := exec.Command(path, args...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill = sync.OnceFunc(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed: its status tells nothing
		if t.Failed() {
			t.Logf("%s said:\n%s", path, said.String())
		}
	})
	t.Cleanup(kill)
	eventually(t, path+" listens", func() bool {
		c, err := net.Dial("tcp", address)
		if err != nil {
			return false
		}
		c.Close()
		return true
	})
	return kill
}

// mosquitto starts a broker at an address. What it keeps of sessions lies in its memory only.
func mosquitto(t testing.TB, address string) (kill func()) {
	t.Helper()
	path := program(t, "mosquitto")
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	lines := []string{
		"listener " + port + " 127.0.0.1", "allow_anonymous true", "persistence false", "log_dest none", "max_queued_messages 0",
		"set_tcp_nodelay true",
	}
	if os.Getuid() == 0 {
		lines = append(lines, "user root") // else it could not read the test's folder
	}
	file := filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return launch(t, address, path, "-c", file)
}

// hook is an HTTP receiver of events.
type hook struct {
	*httptest.Server
	mu     sync.Mutex
	events []event.Event
	counts map[string]int
}

func newHook(t testing.TB) *hook {
	t.Helper()
	h := &hook{counts: map[string]int{}}
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var e event.Event
		err := json.NewDecoder(r.Body).Decode(&e)
		if err != nil || e.ID != r.Header.Get("webhook-id") {
			t.Errorf("a post is no event with its id: %v, %v", err, r.Header)
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		if e.Type != event.Heartbeat { // whose id is its time, which may stand still
			h.counts[e.ID]++
		}
		h.events = append(h.events, e)
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(h.Close)
	return h
}

func (h *hook) got() []event.Event {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]event.Event(nil), h.events...)
}

func (h *hook) outlet() string { return "  webhooks: [{name: desk, url: \"" + h.URL + "/\"}]\n" }

// ofPumps are the events but for heartbeats.
func ofPumps(events []event.Event) []event.Event {
	var out []event.Event
	for _, e := range events {
		if e.Type != event.Heartbeat {
			out = append(out, e)
		}
	}
	return out
}
