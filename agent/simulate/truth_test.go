package simulate

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/watch"
	"diastole/model/pump"
)

var discard = slog.New(slog.DiscardHandler)

func number(text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

func moment(t *testing.T, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// wave is the mean of a waveform's values.
func wave(payload string) float64 {
	var w struct{ V []float64 }
	if err := json.Unmarshal([]byte(payload), &w); err != nil {
		return math.NaN()
	}
	var sum float64
	for _, v := range w.V {
		sum += v
	}
	return sum / float64(len(w.V))
}

// shift is half a day of two pumps, looked at for eight seconds every ten minutes while the regulator and the tank move:
// one stays sound, the other gets a leaking check valve.
func shift() string {
	var plan strings.Builder
	for i := range 30 {
		plan.WriteString("\n      - {at: " + strconv.Itoa(10*i+4) + "m, set: {setting: " +
			strconv.FormatFloat(5+0.3*float64(i*7%5-2), 'f', 1, 64) + " bar, static_head: " +
			strconv.FormatFloat(0.6+0.2*float64(i*3%7), 'f', 1, 64) + " bar}}")
	}
	return `
site: works
start: 2026-03-01T00:00:00Z
length: 11h
learn: 5h
seed: 12
bursts: {every: 10m, length: 8s}
pumps:
  - id: P-1
    plan: &moves` + plan.String() + `
  - id: P-2
    plan: *moves
    wear:
      - {fault: check-valve-leak, side: b, from: 5h30m, full: 10h}
`
}

// TestReplayFindsTheTruth plays a scenario and gives the recording to the agent's own code, with the configuration made
// for it: it must say of each pump what the truth says.
func TestReplayFindsTheTruth(t *testing.T) {
	p := parse(t, shift())
	var b bytes.Buffer
	if err := p.WriteConfiguration(&b); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("made.yaml", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	site, err := watch.New(cfg, discard)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]event.Ticket{}
	var opened time.Time
	messages := play(t, p)
	for _, m := range messages {
		site.Message(m)
		for _, x := range site.Take().Tickets {
			if len(found) == 0 {
				opened = x.Time
			}
			found[x.Ticket.Pump] = x.Ticket
		}
	}
	for _, truth := range p.Truth("shift") {
		ticket, ok := found[truth.Pump]
		if ok != (truth.Fault != "") {
			t.Errorf("%s: fault %q, ticket %+v", truth.Pump, truth.Fault, ticket)
			continue
		}
		if !ok {
			continue
		}
		if ticket.Fault != truth.Fault || ticket.Kit != truth.Kit || ticket.Side != truth.Side {
			t.Errorf("%s: the ticket says %s, %s, side %s; the truth %s, %s, side %s", truth.Pump,
				ticket.Fault, ticket.Kit, ticket.Side, truth.Fault, truth.Kit, truth.Side)
		}
		if opened.Before(p.Scenario.Start.Add(330*time.Minute)) || opened.After(truth.Crosses["1.00"].Add(30*time.Minute)) {
			t.Errorf("%s: the ticket opens at %v, the fault crosses %v", truth.Pump, opened, truth.Crosses)
		}
	}
}

// TestTruth: a leak that grows in a straight line from 5:30 to 10:00 passes a tenth after 27 minutes, a quarter after
// 67.5, a half after 135.
func TestTruth(t *testing.T) {
	p := parse(t, shift())
	var b bytes.Buffer
	if err := p.WriteTruth(&b, "shift"); err != nil {
		t.Fatal(err)
	}
	var got []Truth
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got) != 2 || got[0].Fault != "" || got[1].Fault != pump.CheckValveLeak || got[1].Side != pump.SideB ||
		got[1].Kit != pump.WetEnd || got[1].Bursts != 66 || !got[1].LearnUntil.Equal(p.Scenario.Start.Add(5*time.Hour)) {
		t.Fatalf("%+v", got)
	}
	for size, after := range map[string]time.Duration{
		"0.10": 27 * time.Minute, "0.25": 67*time.Minute + 30*time.Second, "0.50": 135 * time.Minute, "1.00": 270 * time.Minute,
	} {
		want := p.Scenario.Start.Add(330*time.Minute + after)
		if d := got[1].Crosses[size].Sub(want); d < -time.Second || d > time.Second {
			t.Errorf("it passes %s at %v, want %v", size, got[1].Crosses[size], want)
		}
	}
}
