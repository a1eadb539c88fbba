package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/simulate"
	"diastole/model/pump"
)

// story is a pump that wears, is rebuilt with a mistake, and is rebuilt right, with the agent as a process of its own. Between all
// steps the agent is ended, once without a warning, and begun again.
type story struct {
	t            *testing.T
	file         string
	page, broker string
	agent        *process
	messages     []intake.Message
	client       *http.Client
}

// The hours of the story, from its start: learned, wearing, rebuilt with a mistake, rebuilt right, learned again.
const (
	wears, mistake, right, ends = 23, 40, 50, 76
)

const storyScenario = `
site: works
start: %s
length: %dh
learn: 21h
seed: 11
bursts: {every: 1h, length: 8s}
pumps:
  - id: P-101
    model: generic-one-inch
    process: {setting: 5 bar, static_head: 1 bar}
    plan:
      - {at: 3h, set: {setting: 5.4 bar}}
      - {at: 7h, set: {static_head: 1.4 bar}}
      - {at: 11h, set: {setting: 4.6 bar}}
      - {at: 15h, set: {setting: 5 bar, static_head: 1 bar}}
      - {at: %dh, rebuild: true}
      - {at: %dh, rebuild: true}
    wear:
      - {fault: check-valve-leak, side: a, from: %dh, full: %dh, size: 1.2, until: %dh}
      - {fault: check-valve-leak, side: b, from: %dh, size: 1, until: %dh}
`

const storyCatalogue = `
models:
  - name: example-one-inch
    stroke_volume: {value: 350, unit: mL}
    max_cycles_per_minute: 220
    max_air_pressure: {value: 8, unit: bar}
    source: invented for the tests
    kits:
      - {kit: wet-end, number: EX1-WET, stock: {on_hand: 2, counted: 2026-01-01, place: bin 7}, lead_time_days: 10}
    joints:
      - {joint: chamber clamps, torque: {value: 9, unit: N.m, source: invented manual, page: "4"}, retorque_hours: 24}
`

func newStory(t *testing.T) *story {
	t.Helper()
	// The data end a little before now, so that the clock of the agent's process is that of the data.
	start := time.Now().UTC().Add(-(ends + 1) * time.Hour).Truncate(time.Hour)
	plan, err := simulate.Parse("story.yaml", fmt.Appendf(nil, storyScenario, start.Format(time.RFC3339), ends, mistake, right, wears, wears+8, mistake, mistake, right))
	if err != nil {
		t.Fatal(err)
	}
	s := &story{t: t, client: &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 10 * time.Second}}
	if err := plan.Play(t.Context(), func(m intake.Message) error { s.messages = append(s.messages, m); return nil }); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := plan.WriteConfiguration(&b); err != nil {
		t.Fatal(err)
	}
	web := freeAddress(t)
	s.page, s.broker = "http://"+web, freeAddress(t)
	text := strings.NewReplacer("broker: mqtt://127.0.0.1:1883", "listen: "+s.broker, "model: generic-one-inch", "model: example-one-inch",
		"condition_at_start: used", "condition_at_start: new\n    serial: \"0007\"").Replace(b.String())
	text += fmt.Sprintf("catalogue: pumps.yaml\nweb: {listen: %q}\nstate_dir: state\n", web)
	dir := t.TempDir()
	s.file = filepath.Join(dir, "diastole.yaml")
	for name, content := range map[string]string{"diastole.yaml": text, "pumps.yaml": storyCatalogue} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s.begin()
	return s
}

// at is a time of the story.
func (s *story) at(hour int) time.Time {
	return s.messages[0].Arrival.Truncate(time.Hour).Add(time.Duration(hour) * time.Hour)
}

func (s *story) begin() {
	s.t.Helper()
	s.agent = start(s.t, "run", "-c", s.file)
	eventually(s.t, "the agent is ready", func() bool { return strings.HasPrefix(s.get("/readyz"), "ready") })
}

// again ends the agent, cleanly or not, and begins it anew.
func (s *story) again(how os.Signal) {
	s.t.Helper()
	s.agent.end(s.t, how)
	s.begin()
}

func (s *story) get(path string) string {
	res, err := s.client.Get(s.page + path)
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

// say runs a command against the agent.
func (s *story) say(args ...string) string {
	s.t.Helper()
	return output(s.t, args...)
}

// feed publishes the messages of some hours and waits until they are judged and stored.
func (s *story) feed(from, to int) {
	s.t.Helper()
	judged := func() (n int) {
		for line := range strings.Lines(s.get("/metrics")) {
			if strings.HasPrefix(line, "diastole_channel_messages_total{") {
				var x int
				if _, err := fmt.Sscan(line[strings.LastIndexByte(line, ' '):], &x); err == nil {
					n += x
				}
			}
		}
		return n
	}
	plant := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("mqtt://" + s.broker).SetClientID("plant").SetAutoReconnect(false))
	wait(s.t, plant.Connect())
	defer plant.Disconnect(0)
	before, n := judged(), 0
	for _, m := range s.messages {
		if !m.Arrival.Before(s.at(from)) && m.Arrival.Before(s.at(to)) {
			wait(s.t, plant.Publish(m.Topic, 1, false, m.Payload))
			n++
		}
	}
	eventually(s.t, "all messages are judged", func() bool { return judged()-before >= n })
}

func (s *story) tickets() []event.Ticket {
	s.t.Helper()
	var answer struct{ Tickets []event.Ticket }
	if err := json.Unmarshal([]byte(s.get("/api/v1/tickets?open=false")), &answer); err != nil {
		s.t.Fatal(err)
	}
	return answer.Tickets
}

func (s *story) rebuilds() []event.Rebuild {
	s.t.Helper()
	var answer struct{ Rebuilds []event.Rebuild }
	if err := json.Unmarshal([]byte(s.get("/api/v1/pumps/P-101/rebuilds")), &answer); err != nil {
		s.t.Fatal(err)
	}
	return answer.Rebuilds
}

// TestStoryOfARebuild goes through a rebuild as people live it.
func TestStoryOfARebuild(t *testing.T) {
	s := newStory(t)

	// Learned, then worn: a ticket with the kit of the catalogue.
	s.feed(0, mistake-8)
	s.again(os.Interrupt)
	s.feed(mistake-8, mistake)
	eventually(t, "a ticket is open", func() bool { return len(s.tickets()) == 1 })
	ticket := s.tickets()[0]
	if ticket.Fault != pump.CheckValveLeak || ticket.KitNumber != "EX1-WET" || ticket.State != event.StateOpen {
		t.Fatalf("ticket %+v", ticket)
	}
	if out := s.say("stock", "--agent", s.page); !strings.Contains(out, "EX1-WET") || !strings.Contains(out, " 2 ") {
		t.Errorf("stock: %s", out)
	}

	// Taken on, planned, printed, begun.
	for _, step := range [][]string{
		{"acknowledge", ticket.Ticket, "--by", "jo"}, {"schedule", ticket.Ticket, "--by", "jo", "--for", "2030-01-31"}, {"comment", ticket.Ticket, "kit is on the bench", "--by", "ann"},
		{"start", ticket.Ticket, "--by", "ann"},
	} {
		s.say(append([]string{"tickets", "--agent", s.page}, step...)...)
		s.again(os.Interrupt)
	}
	sheet := s.say("tickets", "--agent", s.page, "show", ticket.Ticket, "--html")
	for _, want := range []string{"EX1-WET", "2 on the shelf, bin 7", "9 N.m", "invented manual, page 4", "kit is on the bench", "scheduled it: "} {
		if !strings.Contains(sheet, want) {
			t.Errorf("the sheet lacks %q", want)
		}
	}

	// Rebuilt, with a mistake that nobody knows of.
	out := s.say("rebuilt", "P-101", "--agent", s.page, "--by", "ann", "--kit", "wet-end", "--found", "balls=worn", "--photo", "ball.jpg", "--hours", "3", "--liquid", "water",
		"--leaks-wet", "no", "--at", s.at(mistake).Format(time.RFC3339))
	for _, want := range []string{"ticket " + ticket.Ticket + " is done", "balls", "worn", "check again after 24 running hours, as its manual says: chamber clamps"} {
		if !strings.Contains(out, want) {
			t.Errorf("rebuilt says nothing of %q:\n%s", want, out)
		}
	}
	r := s.rebuilds()[0]
	i := slices.IndexFunc(r.Parts, func(p event.Part) bool { return p.Component == pump.Balls })
	if p := r.Parts[i]; p.Strokes == nil || *p.Strokes < 1e5 || !p.Replaced || p.Found != pump.Worn {
		t.Errorf("balls at the rebuild: %+v", p)
	}
	s.again(syscall.SIGKILL) // nothing that was said is lost
	if got := s.tickets()[0]; got.State != event.StateClosed || got.Outcome != event.Done {
		t.Errorf("after the rebuild the ticket is %s %s", got.State, got.Outcome)
	}
	if out := s.say("stock", "--agent", s.page); !strings.Contains(out, " 1 ") {
		t.Errorf("stock after one kit: %s", out)
	}
	s.feed(mistake, mistake+4)
	s.again(os.Interrupt)
	s.feed(mistake+4, right)
	eventually(t, "the mistake is seen", func() bool { return s.rebuilds()[0].Judgement == event.LookAgain })
	r = s.rebuilds()[0]
	v := r.Verdicts[len(r.Verdicts)-1]
	if !strings.HasPrefix(v.Words, "look again: a check valve") || len(v.Checks) == 0 || v.Stage != "first" {
		t.Errorf("verdict %+v", v)
	}
	eventually(t, "the ticket is in work again", func() bool { return s.tickets()[0].State == event.StateInWork })
	if got := s.tickets()[0]; got.Flag != v.Words || got.Version < 6 {
		t.Errorf("ticket %+v", got)
	}
	s.again(os.Interrupt)

	// Put right, without a kit.
	s.say("rebuilt", "P-101", "--agent", s.page, "--by", "ann", "--found", "seat-seals=missing", "--note", "o-ring of a seat was missing", "--at", s.at(right).Format(time.RFC3339))
	s.again(syscall.SIGKILL)
	s.feed(right, right+9)
	eventually(t, "the pump is accepted", func() bool { return s.rebuilds()[0].Judgement == event.AcceptedForNow })
	if got := s.tickets()[0]; got.State != event.StateClosed || got.Outcome != event.Verified || len(got.Log) != 8 {
		t.Errorf("the ticket is %s %s, with a log of %d", got.State, got.Outcome, len(got.Log))
	}
	if out := s.say("stock", "--agent", s.page); !strings.Contains(out, " 1 ") {
		t.Errorf("stock after a rebuild without a kit: %s", out)
	}
	s.again(os.Interrupt)

	// And learned again.
	s.feed(right+9, ends)
	eventually(t, "the pump is learned again", func() bool {
		return strings.Contains(s.get("/metrics"), "diastole_pump_learned_ratio{pump=\"P-101\",site=\"works\"} 1\n")
	})
	if got := s.tickets(); len(got) != 1 {
		t.Errorf("%d tickets, one was called for", len(got))
	}
	if code := s.agent.end(t, os.Interrupt); code != exitDone {
		t.Errorf("run ends with %d", code)
	}
}
