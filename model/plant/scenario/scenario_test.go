package scenario

import (
	"fmt"
	"hash/fnv"
	"math"
	"strings"
	"testing"
	"time"

	"diastole/model/plant"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// plain is one pump with two pressures and a counter.
func plain() Scenario {
	return Scenario{
		Start: start, Length: 20 * time.Second, Seed: 1,
		Pumps: []Pump{{
			ID: "P-1", Model: "generic-one-inch", Scatter: 1, Used: 1e6,
			Instruments: []sensor.Instrument{sensor.Pressure("air_inlet_pressure", 100), sensor.Pressure("discharge_pressure", 100), sensor.Counter()},
		}},
	}
}

func play(t testing.TB, s Scenario) (out []Message) {
	t.Helper()
	p, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	for p.Next(func(m Message) { out = append(out, m) }) {
	}
	return out
}

func of(messages []Message, id, channel string) (out []Message) {
	for _, m := range messages {
		if m.Pump == id && m.Channel == channel {
			out = append(out, m)
		}
	}
	return out
}

func mean(messages []Message) float64 {
	var sum, n float64
	for _, m := range messages {
		for _, v := range m.Values {
			sum += v
			n++
		}
	}
	return sum / n
}

// TestPlay checks that every second brings its messages, in order of arrival, and that the same plan brings
// the same again.
func TestPlay(t *testing.T) {
	digest := func(messages []Message) uint64 {
		h := fnv.New64a()
		for _, m := range messages {
			fmt.Fprintln(h, m)
		}
		return h.Sum64()
	}
	s := plain()
	a := play(t, s)
	for _, channel := range []string{"air_inlet_pressure", "discharge_pressure", "stroke_count"} {
		if n := len(of(a, "P-1", channel)); n != 20 {
			t.Errorf("%d messages of %s in 20 s", n, channel)
		}
	}
	for i := 1; i < len(a); i++ {
		if a[i].Arrival.Before(a[i-1].Arrival) {
			t.Error("arrivals run backward")
		}
	}
	if digest(a) != digest(play(t, plain())) {
		t.Error("the same plan plays differently")
	}
	s.Seed = 2
	if digest(a) == digest(play(t, s)) {
		t.Error("another seed plays the same")
	}
}

// TestBursts checks that messages come from bursts only, and that strokes run on at the same rate between.
func TestBursts(t *testing.T) {
	s := plain()
	s.Length = 10 * time.Hour
	s.Bursts = Bursts{Every: time.Hour, Length: 12 * time.Second}
	counts := of(play(t, s), "P-1", "stroke_count")
	if len(counts) != 120 {
		t.Fatalf("%d readings of the counter in ten bursts of 12 s", len(counts))
	}
	for _, m := range counts {
		if m.Start.Sub(start)%time.Hour >= 12*time.Second {
			t.Errorf("a reading at %v, outside the bursts", m.Start)
		}
	}
	inside := (counts[11].Values[0] - counts[0].Values[0]) / 11
	between := (counts[108].Values[0] - counts[0].Values[0]) / (9 * 3600)
	if math.Abs(between/inside-1) > 0.05 {
		t.Errorf("%.3f strokes a second inside a burst, %.3f over all", inside, between)
	}
	if d := int64(counts[12].Values[0]) - int64(counts[11].Values[0]); d < 5000 {
		t.Errorf("the counter rose by %d in an hour unseen", d)
	}
}

// TestWear checks that a growing leak speeds the pump up, that the truth says when, and that a rebuild ends
// it.
func TestWear(t *testing.T) {
	s := plain()
	s.Length = 100 * time.Hour
	s.Bursts = Bursts{Every: 4 * time.Hour, Length: 12 * time.Second}
	s.Pumps[0].Wear = []Wear{{Fault: pump.CheckValveLeak, Side: pump.SideBoth, From: 20 * time.Hour, Full: 60 * time.Hour, Until: 80 * time.Hour, Size: 1.5}}
	s.Pumps[0].Plan = []Change{{At: 80 * time.Hour, Rebuild: true}}
	counts := of(play(t, s), "P-1", "stroke_count")
	rate := func(burst int) float64 {
		return (counts[burst*12+11].Values[0] - counts[burst*12].Values[0]) / 11
	}
	if sound, worn, mended := rate(2), rate(17), rate(22); !(worn > 1.08*sound && mended < 1.03*sound) {
		t.Errorf("strokes a second: sound %.3f, worn %.3f, rebuilt %.3f", sound, worn, mended)
	}
	truth := s.Truth()
	if len(truth) != 1 || len(truth[0].Crosses) != 4 {
		t.Fatalf("the truth is %+v", truth)
	}
	for _, c := range truth[0].Crosses {
		// A straight line from 0 at 20 h to 1.5 at 60 h.
		want := start.Add(20*time.Hour + time.Duration(c.Size/1.5*40*float64(time.Hour)))
		if d := c.At.Sub(want).Abs(); d > time.Second {
			t.Errorf("size %g is reached at %v, want %v", c.Size, c.At, want)
		}
	}
	if late := (Wear{From: 50 * time.Hour, Full: 300 * time.Hour}); true {
		if _, ok := late.reaches(0.5, s.Length); ok {
			t.Error("a size is reached after the end")
		}
	}
	if sudden := (Wear{From: time.Hour, Full: time.Hour}); sudden.At(time.Hour) != 1 || sudden.At(time.Hour-1) != 0 {
		t.Error("a sudden fault is not sudden")
	}
}

// TestPlan checks that a change of the process and a trouble arrive at the recorder when they should.
func TestPlan(t *testing.T) {
	s := plain()
	s.Length = 40 * time.Second
	s.Pumps[0].Plan = []Change{
		{At: 10 * time.Second, Quantity: "setting", Value: 6e5, Over: 5 * time.Second},
		{At: 25 * time.Second, Channel: "discharge_pressure", Trouble: sensor.Trouble{Stuck: true}},
		{At: 30 * time.Second, Quantity: "air_off", Value: 1},
	}
	all := play(t, s)
	inlet := of(all, "P-1", "air_inlet_pressure")
	if before, after := mean(inlet[5:10]), mean(inlet[17:24]); math.Abs(after-before-0.91e5) > 0.15e5 {
		t.Errorf("the regulator went up by 1 bar, the inlet from %.0f to %.0f Pa", before, after)
	}
	if off := mean(inlet[36:]); math.Abs(off) > 0.05e5 {
		t.Errorf("the inlet stands at %.0f Pa with the air off", off)
	}
	for _, m := range of(all, "P-1", "discharge_pressure")[27:] {
		for _, v := range m.Values {
			if v != m.Values[0] {
				t.Fatal("a stuck transmitter moves")
			}
		}
	}
}

// TestHeader checks that pumps on one main pull it down together, and that it swings for both alike.
func TestHeader(t *testing.T) {
	s := plain()
	s.Header = plant.Header{Nominal: 6.5e5, Swing: 0.15e5, SwingTime: 60, Dips: 600, DipDepth: 0.5e5, DipTime: 2, Volume: 0.5, Loss: 3e6}
	header := sensor.Instrument{Channel: "air_supply_pressure", Rate: 10, Block: 10}
	s.Pumps[0].Instruments = append(s.Pumps[0].Instruments, header)
	alone := play(t, s)
	second := s.Pumps[0]
	second.ID = "P-2"
	s.Pumps = append(s.Pumps, second)
	both := play(t, s)
	a, b := of(both, "P-1", "air_supply_pressure"), of(both, "P-2", "air_supply_pressure")
	for i := range a {
		for k := range a[i].Values {
			if math.Abs(a[i].Values[k]-b[i].Values[k]) > 1 {
				t.Fatalf("one main, two pressures: %g and %g", a[i].Values[k], b[i].Values[k])
			}
		}
	}
	if one, two := mean(of(alone, "P-1", "air_supply_pressure")), mean(a); !(two < one-0.1e5) {
		t.Errorf("the main stands at %.0f Pa with one pump, at %.0f with two", one, two)
	}
}

// TestManifold checks that pumps on one discharge pipe hold each other back.
func TestManifold(t *testing.T) {
	s := plain()
	s.Manifold = plant.Manifold{Static: 1e5, Resistance: 5e10, Compliance: 1e-9}
	alone := mean(of(play(t, s), "P-1", "discharge_pressure"))
	second := s.Pumps[0]
	second.ID = "P-2"
	s.Pumps = append(s.Pumps, second)
	if both := mean(of(play(t, s), "P-1", "discharge_pressure")); !(both > alone+0.2e5) {
		t.Errorf("discharge at %.0f Pa alone, %.0f beside another pump", alone, both)
	}
}

// TestValidate checks that a wrong plan is refused with a word of what is allowed.
func TestValidate(t *testing.T) {
	for _, c := range []struct {
		wrong func(*Scenario)
		want  string
	}{
		{func(s *Scenario) { s.Length = 0 }, "above zero"},
		{func(s *Scenario) { s.Bursts = Bursts{Every: time.Second, Length: time.Hour} }, "no more than"},
		{func(s *Scenario) { s.Pumps = nil }, "no pump"},
		{func(s *Scenario) { s.Header.Swing = -1 }, "header swing"},
		{func(s *Scenario) { s.Manifold.Resistance = math.NaN() }, "manifold resistance"},
		{func(s *Scenario) { s.Pumps = append(s.Pumps, s.Pumps[0]) }, "one of its own"},
		{func(s *Scenario) { s.Pumps[0].Model = "huge" }, "generic-one-inch"},
		{func(s *Scenario) { s.Pumps[0].Scatter = 9 }, "at most 3"},
		{func(s *Scenario) { s.Pumps[0].Process = []Setting{{"colour", 1}} }, "static_head"},
		{func(s *Scenario) { s.Pumps[0].Process = []Setting{{"setting", 5}, {"setting", 5e7}} }, "entry 2"},
		{func(s *Scenario) { s.Pumps[0].Wear = []Wear{{Fault: "rust", Side: pump.SideA}} }, "check-valve-leak"},
		{func(s *Scenario) {
			s.Pumps[0].Wear = []Wear{{Fault: pump.CheckValveLeak, Side: pump.SideA, From: 2, Full: 1}}
		}, "from <= full"},
		{func(s *Scenario) { s.Pumps[0].Plan = []Change{{Rebuild: true, Quantity: "setting"}} }, "exactly one"},
		{func(s *Scenario) { s.Pumps[0].Plan = []Change{{Quantity: "dead_head", Value: 0.5}} }, "0 and 1"},
		{func(s *Scenario) { s.Pumps[0].Plan = []Change{{At: 2, Rebuild: true}, {At: 1, Rebuild: true}} }, "by time"},
		{func(s *Scenario) { s.Pumps[0].Plan = []Change{{At: -1, Rebuild: true}} }, "zero or more"},
		{func(s *Scenario) { s.Pumps[0].Instruments = []sensor.Instrument{{Channel: "air_flow", Rate: 7}} }, "multiple"},
	} {
		s := plain()
		c.wrong(&s)
		if _, err := New(s); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want %q in it", err, c.want)
		}
	}
}
