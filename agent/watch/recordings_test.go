package watch_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/model/pump"
)

// truth is what is known of a recording.
type truth struct {
	Pump, Size string
	Kit        pump.Kit
	Crosses    map[string]time.Time
	Start      time.Time
	LearnUntil time.Time `json:"learn_until"`
}

// TestRecordings replays pumps that another simulator made. A pump without a fault must bring no ticket; one with a fault must
// bring the right kit before the fault passes the size that calls for a rebuild, and never another kit. With -v it prints
// the events.
func TestRecordings(t *testing.T) {
	files, err := filepath.Glob("../../../shared/recordings/*.truth.json")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) == 0 {
		t.Skip("no recordings beside the checkout (../shared/recordings)")
	}
	for _, file := range files {
		name := strings.TrimSuffix(file, ".truth.json")
		t.Run(filepath.Base(name), func(t *testing.T) {
			t.Parallel()
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var x truth
			if err := json.Unmarshal(data, &x); err != nil {
				t.Fatalf("%s: %v", file, err)
			}
			messages, err := readRecording(name + ".ndjson.gz")
			if err != nil {
				t.Fatal(err)
			}
			s := newSite(t, x.config(t, messages))
			var c collected
			c.feed(s, messages)
			s.Tick(messages[len(messages)-1].Arrival) // as at the end of a replay
			c.take(s)
			if testing.Verbose() {
				for _, e := range c.Events {
					t.Log(line(t, e))
				}
			}
			x.judge(t, c.Events)
		})
	}
}

// config is the configuration for the topics that are found in the messages.
func (x *truth) config(t *testing.T, messages []intake.Message) *config.Config {
	t.Helper()
	channels := map[string]string{ // by the last level of the topic
		"air-inlet-pressure": "air_inlet_pressure: {topic: %s, format: waveform, unit: bar}",
		"discharge-pressure": "discharge_pressure: {topic: %s, format: waveform, unit: bar}",
		"air-flow":           "air_flow: {topic: %s, format: waveform, unit: L/min}",
		"stroke-count":       "stroke_count: {topic: %s, format: number}",
	}
	var lines []string
	for _, m := range messages {
		form, known := channels[m.Topic[strings.LastIndexByte(m.Topic, '/')+1:]]
		if !known {
			t.Fatalf("topic %s is none of a recording's", m.Topic)
		}
		if text := "      " + fmt.Sprintf(form, m.Topic); !slices.Contains(lines, text) {
			lines = append(lines, text)
		}
	}
	cfg, err := config.Parse("recording.yaml", fmt.Appendf(nil, `
site: recordings
mqtt: {broker: "mqtt://127.0.0.1:1883"}
alarms: {false_tickets_per_pump_year: 0.05}
pumps:
  - id: %s
    model: generic-%s-inch
    condition_at_start: used
    learn: %s
    channels:
%s
`, x.Pump, x.Size, x.LearnUntil.Sub(x.Start), strings.Join(lines, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// judge holds the events against the truth.
func (x *truth) judge(t *testing.T, events []event.Event) {
	t.Helper()
	var opened time.Time
	for _, e := range events {
		if e.Type != event.TicketOpened && e.Type != event.TicketUpdated {
			continue
		}
		ticket := ticketIn(t, e)
		switch {
		case x.Kit == "":
			t.Errorf("%v %s: %s where the pump has no fault", e.Time, e.Type, ticket.Fault)
		case ticket.Kit != x.Kit:
			t.Errorf("%v %s: %s asks for the kit %s, the truth is %s", e.Time, e.Type, ticket.Fault, ticket.Kit, x.Kit)
		case opened.IsZero():
			opened = e.Time
		}
	}
	if !slices.Contains(types(events), event.BaselineLearned) {
		t.Error("the healthy pump was never learned")
	}
	switch full := x.Crosses["1.00"]; {
	case x.Kit == "":
	case opened.IsZero():
		t.Errorf("no ticket for %s", x.Kit)
	case !opened.Before(full):
		t.Errorf("the ticket for %s came at %v; the fault passed its full size at %v", x.Kit, opened, full)
	}
}

func ticketIn(t *testing.T, e event.Event) event.Ticket {
	t.Helper()
	var ticket event.Ticket
	if err := json.Unmarshal(e.Data, &ticket); err != nil {
		t.Fatal(err)
	}
	return ticket
}

// line is an event in short.
func line(t *testing.T, e event.Event) string {
	t.Helper()
	text := fmt.Sprintf("%s %-26s", e.Time.Format("01-02 15:04"), e.Type)
	if strings.HasPrefix(string(e.Type), "diastole.advisory") {
		var a event.Advisory
		if err := json.Unmarshal(e.Data, &a); err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("%s %s %s, probability %.2f, since %s %s", text, a.Cause, a.Channel, a.Probability, a.Since.Format("01-02 15:04"), a.Outcome)
	}
	if strings.HasPrefix(string(e.Type), "diastole.ticket") {
		x := ticketIn(t, e)
		return fmt.Sprintf("%s %s, side %s, kit %s, %s, probability %.2f, severity %.2f, since %s %s", text, x.Fault, x.Side, x.Kit, x.Urgency,
			x.Probability, x.Severity, x.Since.Format("01-02 15:04"), x.Outcome)
	}
	return text
}
