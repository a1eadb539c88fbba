package watch_test

import (
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"diastole/agent/intake"
	"diastole/agent/intake/recording"
	"diastole/model/plant/scenario"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

var makeRecordings = flag.Bool("make-recordings", false, "simulate testdata/e2e anew")

// wearing is the pump of testdata/e2e/wear.ndjson.zst: looked at for eight seconds an hour, sound for thirty hours while the regulator is
// moved now and then, after which a check valve begins to leak.
func wearing() scenario.Scenario {
	hours := func(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
	p := scenario.Pump{
		ID: "P-101", Model: "generic-one-inch", Scatter: 1, Used: 1e6,
		Instruments: []sensor.Instrument{
			sensor.Pressure("air_inlet_pressure", 100), sensor.Pressure("discharge_pressure", 100), sensor.Counter(),
		},
		// A gateway on a plant network (common practice): some messages are lost, some come twice or late.
		Link: sensor.Link{
			Delay: 50 * time.Millisecond, Spread: 100 * time.Millisecond,
			Lost: 0.002, Doubled: 0.005, Late: 0.01, Lateness: 1500 * time.Millisecond,
		},
		Wear: []scenario.Wear{{Fault: pump.CheckValveLeak, Side: pump.SideA, From: hours(32.5), Full: hours(60.5), Size: 1.2}},
	}
	for h := range 30 {
		p.Plan = append(p.Plan,
			scenario.Change{At: hours(float64(h) + 0.4), Quantity: "setting", Value: 5.2e5 + 0.3e5*float64(h*7%5-2)},
			scenario.Change{At: hours(float64(h) + 0.5), Quantity: "static_head", Value: 0.6e5 + 0.2e5*float64(h*3%7)})
	}
	return scenario.Scenario{
		Start: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC), Length: hours(60), Seed: 11,
		Bursts: scenario.Bursts{Every: time.Hour, Length: 8 * time.Second},
		Pumps:  []scenario.Pump{p},
	}
}

// TestMakeRecordings writes the recording of a simulated pump on request only: tests must not change with the simulator.
func TestMakeRecordings(t *testing.T) {
	if !*makeRecordings {
		t.Skip("only with -make-recordings")
	}
	player, err := scenario.New(wearing())
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("..", "..", "testdata", "e2e", "wear.ndjson.zst")
	if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	w, err := recording.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	write := func(m scenario.Message) {
		if err := w.Write(message(t, m)); err != nil {
			t.Fatal(err)
		}
	}
	for player.Next(write) {
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	t.Log(time.Since(began))
}

// message is what a gateway would publish: pressures as waveforms in bar, the counter with its time.
func message(t *testing.T, m scenario.Message) intake.Message {
	t.Helper()
	out := intake.Message{Arrival: m.Arrival.Round(time.Millisecond), Topic: "works/p101/" + m.Channel}
	var body any = struct {
		At    time.Time `json:"at"`
		Total float64   `json:"total"`
	}{m.Start, m.Values[0]}
	if m.Channel != "stroke_count" {
		v := make([]json.Number, len(m.Values))
		for i, x := range m.Values {
			v[i] = json.Number(strconv.FormatFloat(x/1e5, 'f', 3, 64))
		}
		body = struct {
			T  time.Time     `json:"t"`
			Dt float64       `json:"dt"`
			V  []json.Number `json:"v"`
		}{m.Start, m.Step.Seconds(), v}
	}
	var err error
	if out.Payload, err = json.Marshal(body); err != nil {
		t.Fatal(err)
	}
	return out
}
