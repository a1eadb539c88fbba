package demo

import (
	"encoding/json"
	"log/slog"
	"math"
	"testing"
	"time"

	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
	"diastole/detect/signal"
	"diastole/model/plant/scenario"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

// onStage sets the plant of the demonstration up.
func onStage(t *testing.T) (*stage, *intake.Router) {
	t.Helper()
	cfg, err := configuration(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	s, err := newStage(cfg, 1)
	if err != nil {
		t.Fatal(err)
	}
	router, err := intake.NewRouter(cfg.Pumps, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return s, router
}

// TestBurst plays one hour: every channel of the configuration must be fed by messages that decode, with the samples of
// the burst and no others, and none may arrive before it is complete.
func TestBurst(t *testing.T) {
	s, router := onStage(t)
	samples := map[*intake.Route]int{}
	for s.after() < every {
		for _, m := range s.second() {
			routes := router.Find(m.topic)
			if len(routes) != 1 {
				t.Fatalf("topic %s feeds %d channels; it must feed one", m.topic, len(routes))
			}
			chunks := routes[0].Decode(new(payload.Samples), intake.Message{Arrival: s.clock.now(), Topic: m.topic, Payload: m.payload})
			if len(chunks) != 1 {
				t.Fatalf("%s is refused: %s", m.topic, m.payload)
			}
			c := chunks[0]
			if c.Start.Before(start) || c.End().After(start.Add(burst)) || c.End().After(s.clock.now().Add(c.Step)) {
				t.Errorf("%s: %v to %v, arrived at %v, in a burst of %v", m.topic, c.Start, c.End(), s.clock.now(), burst)
			}
			samples[routes[0]] += len(c.Values)
		}
		s.taken()
	}
	perSecond := map[signal.Channel]int{signal.AirInletPressure: rate, signal.DischargePressure: rate, signal.AirFlow: 10, signal.StrokeCount: 1}
	for _, r := range router.Routes() {
		if got, want := samples[r], perSecond[r.Channel]*int(burst.Seconds()); got != want {
			t.Errorf("pump %s, channel %s: %d samples in a burst of %v; there should be %d", r.PumpID, r.Channel, got, burst, want)
		}
	}
	if got, want := s.clock.now(), start.Add(every); !got.Equal(want) {
		t.Errorf("after the hour the clock stands at %v; it must stand at %v", got, want)
	}
}

// TestEncode checks that what a gateway writes is what the instrument read, to better than an instrument's step.
func TestEncode(t *testing.T) {
	s, router := onStage(t)
	at := start.Add(90 * time.Millisecond)
	for _, m := range []scenario.Message{
		reading("G-302", "air_inlet_pressure", at, 10*time.Millisecond, 471234.5, 0, -3210),
		reading("G-302", "air_flow", at, 100*time.Millisecond, 0.02345678, 0),
		reading("G-302", "stroke_count", at, 0, 123456789),
	} {
		topic, body := s.wires.encode(m)
		chunks := router.Find(topic)[0].Decode(new(payload.Samples), intake.Message{Arrival: at, Topic: topic, Payload: body})
		if len(chunks) != 1 || !chunks[0].Start.Equal(m.Start) || chunks[0].Step != m.Step || len(chunks[0].Values) != len(m.Values) {
			t.Errorf("%s became %v", body, chunks)
			continue
		}
		c := chunks[0]
		for i, v := range m.Values {
			if math.Abs(c.Values[i]-v) > 5e-6*math.Abs(v) { // six digits
				t.Errorf("%s: value %d is %v; it was %v", m.Channel, i, c.Values[i], v)
			}
		}
	}
}

func reading(id, channel string, at time.Time, step time.Duration, values ...float64) (m scenario.Message) {
	m.Pump, m.Channel, m.Start, m.Step, m.Values = id, channel, at, step, values
	return m
}

// TestOrders checks that only a ticket closed as done has its pump rebuilt, once.
func TestOrders(t *testing.T) {
	var o orders
	o.note([]event.Event{
		ticket(t, event.TicketOpened, 1, event.Ticket{Pump: "P-1", Outcome: event.Done}),
		ticket(t, event.TicketClosed, 2, event.Ticket{Pump: "P-2", Outcome: event.Rejected}),
		ticket(t, event.TicketClosed, 3, event.Ticket{Pump: "P-3", Outcome: event.Done}),
		ticket(t, event.TicketClosed, 4, event.Ticket{Pump: "P-4", Outcome: event.Withdrawn}),
	})
	if got := o.take(); len(got) != 1 || got[0] != "P-3" {
		t.Errorf("orders are %v; only P-3 was closed as done", got)
	}
	if got := o.take(); len(got) != 0 {
		t.Errorf("taken once, %v still stands", got)
	}
}

// TestOrderReachesPump plays two like pumps with a leak, and has one of them rebuilt: from then on, and not before, what its
// instruments read is something else.
func TestOrderReachesPump(t *testing.T) {
	var hours [2][2]string // by stage and hour
	for i := range hours {
		s, _ := onStage(t)
		p, err := scenario.New(scenario.Scenario{
			Start: start, Length: 2 * every, Seed: 1, Bursts: scenario.Bursts{Every: every, Length: 2 * time.Second},
			Pumps: []scenario.Pump{{
				ID: "G-101", Model: "generic-three-inch", Used: 1e6,
				Instruments: []sensor.Instrument{sensor.Pressure("discharge_pressure", rate)},
				Wear:        []scenario.Wear{{Fault: pump.CheckValveLeak, Side: pump.SideA}},
			}},
		})
		if err != nil {
			t.Fatal(err)
		}
		s.player = p
		for h := range hours[i] {
			for s.after() < time.Duration(h+1)*every {
				for _, m := range s.second() {
					hours[i][h] += string(m.payload)
				}
				s.taken()
			}
			if i == 1 {
				s.orders.note([]event.Event{ticket(t, event.TicketClosed, 1, event.Ticket{Pump: "G-101", Outcome: event.Done})})
			}
		}
	}
	if hours[0][0] != hours[1][0] {
		t.Error("the two pumps differ before one is rebuilt")
	}
	if hours[0][1] == hours[1][1] {
		t.Error("the pump runs on as if it had not been rebuilt")
	}
}

func ticket(t *testing.T, kind event.Type, hours float64, x event.Ticket) event.Event {
	t.Helper()
	data, err := json.Marshal(x)
	if err != nil {
		t.Fatal(err)
	}
	return event.Event{Type: kind, Subject: x.Pump, Time: start.Add(time.Duration(hours * float64(time.Hour))), Data: data}
}

// TestPlan checks that the plan has what the demonstration promises: two sound pumps, four that wear in different ways, and
// wear that begins after everything is learned.
func TestPlan(t *testing.T) {
	cfg, err := configuration(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	s, err := plan(cfg, 1)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Validate(); err != nil {
		t.Fatal(err)
	}
	faults := map[pump.Fault]bool{}
	sound := 0
	for i, p := range s.Pumps {
		if len(p.Wear) == 0 {
			sound++
		}
		for _, w := range p.Wear {
			faults[w.Fault] = true
			if learn := cfg.Pumps[i].Settings.Learn.For; w.From < learn {
				t.Errorf("pump %s wears from %v, before it is learned at %v", p.ID, w.From, learn)
			}
		}
	}
	if sound != 2 || len(faults) != 4 || len(s.Pumps) != 6 {
		t.Errorf("%d pumps, %d of them sound, %d faults; the demonstration is of 6, 2 and 4", len(s.Pumps), sound, len(faults))
	}
}
