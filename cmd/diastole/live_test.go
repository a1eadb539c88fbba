package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/intake/recording"
)

// said is what a process has written, for reading while it runs.
type said struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// process is a command that runs beside the test.
type process struct {
	*exec.Cmd
	out, err said
	done     bool
}

func start(t *testing.T, args ...string) *process {
	t.Helper()
	p := &process{Cmd: program(t, args...)}
	p.Stdout, p.Stderr = &p.out, &p.err
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if !p.done {
			_ = p.Process.Kill()
			_ = p.Wait() // it was killed: its status tells nothing
		}
		if t.Failed() {
			t.Logf("diastole %s:\n%s", args[0], p.err.String())
		}
	})
	return p
}

// end sends a signal and gives the exit code.
func (p *process) end(t *testing.T, s os.Signal) int {
	t.Helper()
	if err := p.Process.Signal(s); err != nil {
		t.Fatal(err)
	}
	err := p.Wait()
	p.done = true
	if _, ok := errors.AsType[*exec.ExitError](err); err != nil && !ok {
		t.Fatal(err)
	}
	return p.ProcessState.ExitCode()
}

// eventually waits for other processes.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.After(30 * time.Second)
	poll := time.NewTicker(20 * time.Millisecond)
	defer poll.Stop()
	for !ok() {
		select {
		case <-deadline:
			t.Fatalf("still not so: %s", what)
		case <-poll.C:
		}
	}
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// startMosquitto starts a real broker; where there is none the test is skipped, or fails where DIASTOLE_REQUIRE_SERVERS=1.
func startMosquitto(t *testing.T) (address string) {
	t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path, err = exec.LookPath("/usr/sbin/mosquitto")
	}
	if err != nil {
		if os.Getenv("DIASTOLE_REQUIRE_SERVERS") == "1" {
			t.Fatal("mosquitto is not installed, and DIASTOLE_REQUIRE_SERVERS=1")
		}
		t.Skip("mosquitto is not installed")
	}
	address = freeAddress(t)
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "mosquitto.conf")
	text := "listener " + port + " 127.0.0.1\nallow_anonymous true\npersistence false\nlog_dest none\nset_tcp_nodelay true\n"
	if os.Getuid() == 0 {
		text += "user root\n" // else it could not read the test's folder
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "-c", file)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed: its status tells nothing
	})
	eventually(t, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	return address
}

func wait(t *testing.T, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(20 * time.Second) {
		t.Fatal("the broker does not answer")
	}
	if err := token.Error(); err != nil {
		t.Fatal(err)
	}
}

func wearMessages(t *testing.T) []intake.Message {
	t.Helper()
	return readMessages(t, filepath.Join("..", "..", "testdata", "e2e", "wear.ndjson.zst"))
}

func readMessages(t *testing.T, path string) []intake.Message {
	t.Helper()
	r, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var all []intake.Message
	for {
		m, err := r.Next()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, m)
	}
}

func eventsOf(t *testing.T, lines string) []event.Event {
	t.Helper()
	var all []event.Event
	for line := range strings.Lines(lines) {
		var e event.Event
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		all = append(all, e)
	}
	return all
}

// TestAnAgentsDay is a plant with a real broker, an agent and a recorder as processes of their own, and people at the command line.
func TestAnAgentsDay(t *testing.T) {
	broker := startMosquitto(t)
	dir, page := t.TempDir(), "http://"+freeAddress(t)
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "e2e", "diastole.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "diastole.yaml")
	config := strings.Replace(string(text), "127.0.0.1:1883", broker, 1) + fmt.Sprintf("web: {listen: %q}\nstate_dir: state\n", strings.TrimPrefix(page, "http://"))
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
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

	tee, copied := filepath.Join(dir, "tee.ndjson.gz"), filepath.Join(dir, "copy.ndjson.zst")
	agent := start(t, "run", "-c", file, "--record", tee)
	eventually(t, "the agent is ready", func() bool { return strings.HasPrefix(get("/readyz"), "ready") })
	recorder := start(t, "record", "-c", file, "-o", copied)
	eventually(t, "the recorder listens", func() bool { return strings.Contains(recorder.err.String(), "mqtt connected") })

	plant := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("mqtt://" + broker).SetClientID("plant").SetAutoReconnect(false))
	wait(t, plant.Connect())
	defer plant.Disconnect(0)
	var mu sync.Mutex
	var live []event.Event
	wait(t, plant.Subscribe("diastole/works/P-101/events", 1, func(_ mqtt.Client, m mqtt.Message) {
		var e event.Event
		if err := json.Unmarshal(m.Payload(), &e); err != nil {
			t.Errorf("%v: %s", err, m.Payload())
		}
		mu.Lock()
		defer mu.Unlock()
		live = append(live, e)
	}))
	told := func() []event.Event {
		mu.Lock()
		defer mu.Unlock()
		return append([]event.Event(nil), live...)
	}
	messages := wearMessages(t)
	for _, m := range messages {
		wait(t, plant.Publish(m.Topic, 1, false, m.Payload))
	}
	eventually(t, "all messages are judged", func() bool {
		n := 0
		for line := range strings.Lines(get("/metrics")) {
			if strings.HasPrefix(line, "diastole_channel_messages_total{") {
				x, _ := strconv.Atoi(strings.TrimSpace(line[strings.LastIndexByte(line, ' '):]))
				n += x
			}
		}
		return n == len(messages)
	})
	eventually(t, "a ticket is open", func() bool { return strings.Contains(get("/api/v1/tickets?open=true"), "wet-end") })

	people := func(args ...string) string {
		return output(t, append([]string{"tickets", "--agent", page}, args...)...)
	}
	list := people("list")
	if !strings.Contains(list, "TICKET") || !strings.Contains(list, "wet-end") {
		t.Fatalf("list: %s", list)
	}
	id := strings.Fields(list[strings.Index(list, "\n")+1:])[0]
	for _, c := range []struct {
		what, got string
		wants     []string
	}{
		{"list --json", people("list", "--json"), []string{`"tickets":[`, `"ticket":"` + id + `"`}},
		{"show", people("show", id), []string{"REBUILD TICKET " + id, "CAUTIONS", "PULL: the wet-end kit", "side unknown: open all four", "Lock out and tag out"}},
		{"show --json", people("show", id, "--json"), []string{`"ticket":"` + id + `"`, `"checks_before_opening":[`}},
		{"show --html", people("show", id, "--html"), []string{"<html", id, "Lock out and tag out"}},
		{"acknowledge", people("acknowledge", id, "--by", "jo"), []string{id + " is acknowledged"}},
		{"list again", people("list"), []string{"acknowledged"}},
		{"close", people("close", id, "--by", "jo", "--outcome", "done", "--note", "worn ball"), []string{id + " is closed"}},
		{"list, none", people("list"), []string{"no tickets"}},
		{"list --all", people("list", "--all"), []string{id, "closed"}},
		{"show closed", people("show", id), []string{"FOUND (jo): worn ball"}},
	} {
		for _, w := range c.wants {
			if !strings.Contains(c.got, w) {
				t.Errorf("tickets %s lacks %q:\n%s", c.what, w, c.got)
			}
		}
	}
	for verb, args := range map[string][]string{"closing twice": {"close", id, "--outcome", "done"}, "no such ticket": {"acknowledge", "P-101-x"}} {
		var out, said bytes.Buffer
		if code := run(append([]string{"tickets", "--agent", page}, args...), &out, &said); code != exitFailed || !strings.Contains(said.String(), "the agent says") {
			t.Errorf("%s: exit %d: %s", verb, code, said.String())
		}
	}
	eventually(t, "what people did is told", func() bool { return len(acts(told())) >= 3 })
	if got := acts(told()); got[0].Type != event.TicketUpdated || got[1].Type != event.TicketClosed || got[2].Type != event.BaselineReset {
		t.Errorf("people's acts: %+v", got)
	}

	if code := recorder.end(t, syscall.SIGTERM); code != exitDone || recorder.out.String() != "" {
		t.Errorf("record ends with %d and writes %q", code, recorder.out.String())
	}
	if code := agent.end(t, os.Interrupt); code != exitDone || agent.out.String() != "" {
		t.Errorf("run ends with %d and writes %q", code, agent.out.String())
	}

	// What the messages told is told again byte for byte; the last burst was not over when people acted.
	replayed := before(eventsOf(t, output(t, "replay", "-c", file, tee)))
	if d := cmp.Diff(replayed, before(told())); d != "" {
		t.Errorf("(-replayed +live):\n%s", d)
	}
	if len(replayed) < 2 {
		t.Errorf("%d events were compared", len(replayed))
	}
	copies := readMessages(t, copied)
	if len(copies) != len(messages) {
		t.Fatalf("%d messages were recorded of %d", len(copies), len(messages))
	}
	for i := range copies {
		copies[i].Arrival = messages[i].Arrival // its own
	}
	if d := cmp.Diff(messages, copies); d != "" {
		t.Errorf("(-published +recorded):\n%s", d)
	}
	output(t, "replay", "-c", file, copied)
}

// lastBurst is when the recording's last burst begins. People act after it, by the wall clock.
var lastBurst = time.Date(2026, 3, 3, 11, 0, 0, 0, time.UTC)

func before(events []event.Event) (out []event.Event) {
	for _, e := range events {
		if e.Time.Before(lastBurst) {
			out = append(out, e)
		}
	}
	return out
}

// acts are the events of what people did.
func acts(events []event.Event) (out []event.Event) {
	for _, e := range events {
		if e.Time.After(lastBurst.Add(24 * time.Hour)) {
			out = append(out, e)
		}
	}
	return out
}
