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
	r, err := recording.Open(filepath.Join("..", "..", "testdata", "e2e", "wear.ndjson.zst"))
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
	data := filepath.Join("..", "..", "testdata", "e2e")
	want := eventsOf(t, output(t, "replay", "-c", filepath.Join(data, "diastole.yaml"), filepath.Join(data, "wear.ndjson.zst")))
	eventually(t, "all events are told", func() bool { return len(told()) >= len(want) })

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
	eventually(t, "what people did is told", func() bool { return len(told()) >= len(want)+3 })

	if code := recorder.end(t, syscall.SIGTERM); code != exitDone || recorder.out.String() != "" {
		t.Errorf("record ends with %d and writes %q", code, recorder.out.String())
	}
	if code := agent.end(t, os.Interrupt); code != exitDone || agent.out.String() != "" {
		t.Errorf("run ends with %d and writes %q", code, agent.out.String())
	}

	// What people did is no message, so it is in no recording; all else is told again byte for byte.
	got := told()
	if acts := got[len(want):]; len(acts) != 3 || acts[0].Type != event.TicketUpdated || acts[1].Type != event.TicketClosed || acts[2].Type != event.BaselineReset {
		t.Errorf("people's acts: %+v", acts)
	}
	for what, file := range map[string]string{"tee": tee, "record": copied} {
		replayed := eventsOf(t, output(t, "replay", "-c", filepath.Join(dir, "diastole.yaml"), file))
		if d := cmp.Diff(replayed, got[:len(want)]); d != "" {
			t.Errorf("%s (-replayed +live):\n%s", what, d)
		}
	}
	if d := cmp.Diff(want, got[:len(want)]); d != "" {
		t.Errorf("(-the recording's +live):\n%s", d)
	}
}
