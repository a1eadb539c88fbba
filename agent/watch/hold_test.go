package watch

import (
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/sparkplug"
	"diastole/detect/signal"
)

var holdStart = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// onChange is a pump whose discharge pressure is sent on change, and its inlet pressure every second; the supply comes from an
// edge node that may die.
const onChange = `
site: north
mqtt: {broker: mqtt://127.0.0.1}
pumps:
  - id: P-101
    channels:
      air_inlet_pressure: {topic: air, format: number, unit: bar}
      discharge_pressure: {topic: discharge, format: number, unit: bar, report: on-change, deadband: 0.05}
      air_supply_pressure: {topic: spBv1.0/G/NDATA/E, format: sparkplug-b, name: main, unit: bar, report: on-change}
`

// heldBench collects what a pump's settler hands out.
type heldBench struct {
	site *Site
	pump *pump
	got  []string
}

func newHeldBench(t interface{ Fatal(...any) }) *heldBench {
	cfg, err := config.Parse("t.yaml", []byte(onChange))
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return &heldBench{site: s, pump: s.pumps[0]}
}

// advance is the pump's, but for the monitor, whose samples are noted instead.
func (b *heldBench) advance(now time.Time) {
	b.pump.holding.repeat(now, func(at time.Time, c signal.Chunk) { b.pump.settler.Offer(at, c) })
	for _, c := range b.pump.settler.Advance(now) {
		if c.Channel != signal.AirInletPressure {
			b.got = append(b.got, fmt.Sprintf("%s %s %.1f", c.Channel, c.Start.Sub(holdStart), c.Values[0]/1e5))
		}
	}
}

func (b *heldBench) send(at time.Duration, topic string, body []byte) {
	m := intake.Message{Arrival: holdStart.Add(at), Topic: topic, Payload: body}
	b.site.router.Decode(&b.site.samples, m, func(_ *intake.Route, chunks []signal.Chunk) {
		b.advance(m.Arrival)
		for _, c := range chunks {
			b.pump.offer(m.Arrival, c)
		}
	})
}

func (b *heldBench) number(at time.Duration, topic, text string) { b.send(at, topic, []byte(text)) }

// A value that is sent on change is repeated while the pump is heard, and no longer.
func TestHeldValuesAreRepeated(t *testing.T) {
	b := newHeldBench(t)
	b.number(0, "discharge", "2")
	for s := time.Duration(0); s < 4*time.Second; s += time.Second {
		b.number(s+100*time.Millisecond, "air", "5")
	}
	b.number(4*time.Second+500*time.Millisecond, "discharge", "3")
	b.number(7*time.Second, "air", "5")
	b.advance(holdStart.Add(time.Hour))
	want := []string{"discharge_pressure 0s 2.0", "discharge_pressure 1s 2.0", "discharge_pressure 2s 2.0", "discharge_pressure 3s 2.0"}
	for k := range 62 { // each made a second after its moment, up to a minute after the last message at 7 s
		want = append(want, fmt.Sprintf("discharge_pressure %s 3.0", 4500*time.Millisecond+time.Duration(k)*time.Second))
	}
	if diff := cmp.Diff(want, b.got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	// After the silence nobody knows; the next value begins anew.
	b.got = nil
	b.number(2*time.Hour, "air", "5")
	b.advance(holdStart.Add(2*time.Hour + 10*time.Second))
	if len(b.got) != 0 {
		t.Errorf("after the silence %v", b.got[:1])
	}
}

// The value of a node that died is not repeated.
func TestHeldValueOfADeadNode(t *testing.T) {
	b := newHeldBench(t)
	at := func(s float64) time.Time { return holdStart.Add(time.Duration(s * float64(time.Second))) }
	birth := sparkplug.Payload{HasSeq: true, Metrics: []sparkplug.Metric{sparkplug.NewMetric("main", sparkplug.Float, at(0), 7)}}
	b.send(0, "spBv1.0/G/NBIRTH/E", birth.Encode())
	b.number(time.Second, "air", "5")
	b.send(3500*time.Millisecond, "spBv1.0/G/NDEATH/E", sparkplug.Payload{}.Encode())
	b.number(20*time.Second, "air", "5")
	b.advance(at(30))
	want := []string{"air_supply_pressure 0s 7.0", "air_supply_pressure 1s 7.0", "air_supply_pressure 2s 7.0"}
	if diff := cmp.Diff(want, b.got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if off := b.site.Status()[0].Offline; len(off) != 1 || off[0].Channel != signal.AirSupplyPressure || !off[0].Since.Equal(at(3.5)) {
		t.Errorf("offline: %v", off)
	}
}

// However many ticks come between messages, the samples are the same.
func TestHoldDoesNotDependOnTicks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seq := uint64(0)
		type msg struct {
			at    time.Duration
			topic string
			body  []byte
		}
		var messages []msg
		now := time.Duration(0)
		for range rapid.IntRange(1, 25).Draw(t, "messages") {
			now += time.Duration(rapid.IntRange(1, 90_000).Draw(t, "ms")) * time.Millisecond
			v := []byte(fmt.Sprint(rapid.IntRange(1, 6).Draw(t, "v")))
			node := func(kind string) {
				p := sparkplug.Payload{Seq: seq % 256, HasSeq: true, Metrics: []sparkplug.Metric{sparkplug.NewMetric("main", sparkplug.Float, holdStart.Add(now), 7)}}
				seq++
				messages = append(messages, msg{now, "spBv1.0/G/" + kind + "/E", p.Encode()})
			}
			switch rapid.IntRange(0, 5).Draw(t, "what") {
			case 0:
				node("NBIRTH")
			case 1:
				node("NDATA")
			case 2:
				messages = append(messages, msg{now, "spBv1.0/G/NDEATH/E", sparkplug.Payload{}.Encode()})
			case 3:
				messages = append(messages, msg{now, "air", v})
			default:
				messages = append(messages, msg{now, "discharge", v})
			}
		}
		play := func(ticks int) []string {
			b := newHeldBench(t)
			last := time.Duration(0)
			for _, m := range messages {
				for k := range ticks {
					b.advance(holdStart.Add(last + (m.at-last)*time.Duration(k+1)/time.Duration(ticks+1)))
				}
				b.send(m.at, m.topic, m.body)
				last = m.at
			}
			b.advance(holdStart.Add(last + time.Hour))
			return b.got
		}
		if diff := cmp.Diff(play(0), play(rapid.IntRange(1, 7).Draw(t, "ticks"))); diff != "" {
			t.Fatalf("(-without ticks +with):\n%s", diff)
		}
	})
}
