package sparkplug

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

const (
	nbirth = "spBv1.0/G/NBIRTH/E"
	ndata  = "spBv1.0/G/NDATA/E"
	ndeath = "spBv1.0/G/NDEATH/E"
	dbirth = "spBv1.0/G/DBIRTH/E/D"
	ddata  = "spBv1.0/G/DDATA/E/D"
	ddeath = "spBv1.0/G/DDEATH/E/D"
)

// bench is a host that watches the node G/E, a second on at each message.
type bench struct {
	t    interface{ Fatalf(string, ...any) }
	host *Host
	now  time.Time
}

func newBench(t interface{ Fatalf(string, ...any) }) *bench {
	b := &bench{t: t, host: NewHost(), now: t0}
	topic, err := ParseTopic(ddata)
	if err != nil {
		t.Fatalf("%v", err)
	}
	b.host.Watch(topic)
	return b
}

func (b *bench) send(topic string, p Payload) (Update, error) {
	at, err := ParseTopic(topic)
	if err != nil {
		b.t.Fatalf("%v", err)
	}
	b.now = b.now.Add(time.Second)
	if !p.HasTimestamp {
		p.Timestamp, p.HasTimestamp = millis(b.now), true
	}
	return b.host.Take(at, p.Encode(), b.now)
}

// asks is how many rebirths were requested since the last call.
func (b *bench) asks() int { return len(b.host.Requests()) }

func withSeq(seq uint64, metrics ...Metric) Payload {
	return Payload{Seq: seq, HasSeq: true, Metrics: metrics}
}

func session(n uint64) Metric { return NewMetric(bdSeq, Int64, t0, float64(n)) }

func aliased(m Metric, alias uint64) Metric {
	m.Alias, m.HasAlias = alias, true
	return m
}

// onlyAlias is a metric as a data message carries it: no name, no type.
func onlyAlias(m Metric, alias uint64) Metric {
	m = aliased(m, alias)
	m.Name, m.HasName, m.Type = "", false, Unknown
	return m
}

func names(u Update) []string {
	var out []string
	for i := range u.Metrics {
		v, _ := u.Metrics[i].Number()
		out = append(out, fmt.Sprintf("%s=%g", u.Metrics[i].Name, v))
	}
	return out
}

// born is a node in session 3 with the device D, whose metrics p and n have the aliases 1 and 2.
func born(t interface{ Fatalf(string, ...any) }) *bench {
	b := newBench(t)
	for _, m := range []struct {
		topic string
		p     Payload
	}{
		{nbirth, withSeq(0, session(3), aliased(NewMetric("up", Boolean, t0, 1), 9))},
		{dbirth, withSeq(1, aliased(NewMetric("p", Float, t0, 4), 1), aliased(NewMetric("n", Int32, t0, 7), 2))},
	} {
		if u, err := b.send(m.topic, m.p); err != nil || !u.Birth {
			t.Fatalf("%s: %v, %v", m.topic, u, err)
		}
	}
	return b
}

// Data carries aliases only; names and types come from the births (tck-id-payloads-alias-data-cmd-requirement).
func TestAliasesAreResolved(t *testing.T) {
	b := born(t)
	u, err := b.send(ddata, withSeq(2, onlyAlias(NewMetric("", Float, t0, 5.5), 1), onlyAlias(NewMetric("", Int32, t0, -8), 2)))
	if diff := cmp.Diff([]string{"p=5.5", "n=-8"}, names(u)); diff != "" || err != nil {
		t.Errorf("%v\n%s", err, diff)
	}
	u, err = b.send(ndata, withSeq(3, onlyAlias(NewMetric("", Boolean, t0, 0), 9)))
	if diff := cmp.Diff([]string{"up=0"}, names(u)); diff != "" || err != nil {
		t.Errorf("%v\n%s", err, diff)
	}
	// A node without aliases repeats the names.
	u, err = b.send(ddata, withSeq(4, NewMetric("p", Float, t0, 6)))
	if diff := cmp.Diff([]string{"p=6"}, names(u)); diff != "" || err != nil {
		t.Errorf("%v\n%s", err, diff)
	}
	if n := b.asks(); n != 0 {
		t.Errorf("%d rebirths were asked for", n)
	}
}

// The numbers run from 0 to 255 and begin again, over all messages of the node (tck-id-payloads-sequence-num-...).
func TestSeqWraps(t *testing.T) {
	b := born(t)
	for i := uint64(2); i < 600; i++ {
		topic := []string{ddata, ndata}[i%2]
		m := []Metric{NewMetric("p", Float, t0, float64(i)), NewMetric("up", Boolean, t0, 1)}[i%2]
		if _, err := b.send(topic, withSeq(i%256, m)); err != nil {
			t.Fatalf("message %d: %v", i, err)
		}
	}
	// A birth may have any number (payloads-sequence-num-zero-nbirth).
	if u, err := b.send(nbirth, withSeq(200, session(3))); err != nil || !u.Birth {
		t.Fatal(err)
	}
	if _, err := b.send(dbirth, withSeq(201, NewMetric("p", Float, t0, 1))); err != nil {
		t.Error(err)
	}
}

// A lost message may have been a birth: no value is believed until the births come, which are asked for once.
func TestGapAsksOnceAndTellsNothing(t *testing.T) {
	b := born(t)
	for i := range uint64(30) {
		u, err := b.send(ddata, withSeq(5+i, onlyAlias(NewMetric("", Float, t0, 9), 1)))
		if !errors.Is(err, ErrSequence) || len(u.Metrics) != 0 {
			t.Fatalf("message %d gave %v, %v", i, names(u), err)
		}
		if i == 0 && !strings.Contains(err.Error(), "seq 5 came where 2 was due") {
			t.Error(err)
		}
	}
	requests := b.host.Requests()
	if len(requests) != 1 {
		t.Fatalf("%d rebirths were asked for in one gap", len(requests))
	}
	// tck-id-operational-behavior-data-commands-rebirth-name and -value; NCMD has no seq.
	r := requests[0]
	p, err := Decode(r.Payload)
	if err != nil || r.Topic != "spBv1.0/G/NCMD/E" || p.HasSeq || !p.HasTimestamp || len(p.Metrics) != 1 {
		t.Fatalf("%s %+v, %v", r.Topic, p, err)
	}
	if v, err := p.Metrics[0].Number(); p.Metrics[0].Name != "Node Control/Rebirth" || p.Metrics[0].Type != Boolean || v != 1 || err != nil {
		t.Errorf("%+v", p.Metrics[0])
	}
	// The request was lost: a minute later it is repeated.
	b.now = b.now.Add(time.Minute)
	if _, err := b.send(ddata, withSeq(40, NewMetric("p", Float, t0, 9))); !errors.Is(err, ErrSequence) || b.asks() != 1 {
		t.Error(err)
	}
	// The rebirth: the session is the same, the aliases may be others.
	if _, err := b.send(nbirth, withSeq(0, session(3))); err != nil {
		t.Fatal(err)
	}
	if _, err := b.send(dbirth, withSeq(1, aliased(NewMetric("p", Float, t0, 4), 2), aliased(NewMetric("n", Int32, t0, 7), 1))); err != nil {
		t.Fatal(err)
	}
	u, err := b.send(ddata, withSeq(2, onlyAlias(NewMetric("", Int32, t0, 7), 1)))
	if diff := cmp.Diff([]string{"n=7"}, names(u)); diff != "" || err != nil {
		t.Errorf("%v\n%s", err, diff)
	}
	// The next gap is a new one.
	if _, err := b.send(ddata, withSeq(9, NewMetric("p", Float, t0, 9))); !errors.Is(err, ErrSequence) || b.asks() != 1 {
		t.Error(err)
	}
}

// A host that starts in the middle knows no aliases and asks; and asks nodes that say nothing too.
func TestHostRestart(t *testing.T) {
	b := newBench(t)
	b.host.Tick(t0)
	if b.asks() != 1 {
		t.Error("a silent node is not asked")
	}
	b.host.Tick(t0.Add(10 * time.Second))
	for i := range uint64(3) {
		if u, err := b.send(ddata, withSeq(17+i, onlyAlias(NewMetric("", Float, t0, 9), 1))); !errors.Is(err, ErrSequence) || len(u.Metrics) != 0 {
			t.Errorf("%v, %v", names(u), err)
		}
	}
	if n := b.asks(); n != 0 {
		t.Errorf("%d more rebirths within a minute", n)
	}
	b.host.Tick(t0.Add(2 * time.Minute))
	if b.asks() != 1 {
		t.Error("a lost request is not repeated")
	}
	born := withSeq(0, session(0))
	if _, err := b.send(nbirth, born); err != nil {
		t.Fatal(err)
	}
	b.host.Tick(t0.Add(time.Hour))
	if n := b.asks(); n != 0 {
		t.Errorf("a node that was born is asked %d times", n)
	}
}

// A host that was disconnected does not know what it missed, which may be a death and the births after it.
func TestConnectedAsksEveryNode(t *testing.T) {
	b := born(t)
	b.host.Connected(b.now)
	if b.asks() != 1 {
		t.Error("the node is not asked")
	}
	if u, err := b.send(ddata, withSeq(2, onlyAlias(NewMetric("", Float, t0, 9), 1))); !errors.Is(err, ErrSequence) || len(u.Metrics) != 0 || b.asks() != 0 {
		t.Errorf("%v, %v", names(u), err)
	}
}

// A node that does not exist is asked ever more seldom.
func TestSilentNode(t *testing.T) {
	b := newBench(t)
	n := 0
	for at := time.Duration(0); at < 24*time.Hour; at += time.Second {
		b.host.Tick(t0.Add(at))
		n += b.asks()
	}
	if n < 24 || n > 32 { // at 0, 1, 3, 7, 15, 31 and 63 minutes, and then every hour
		t.Errorf("a silent node is asked %d times a day", n)
	}
}

// A device that was not born, and a metric that was not in the birth, tell nothing.
func TestUnknownDeviceAndMetric(t *testing.T) {
	b := newBench(t)
	if _, err := b.send(nbirth, withSeq(0, session(0))); err != nil {
		t.Fatal(err)
	}
	if u, err := b.send(ddata, withSeq(1, NewMetric("p", Float, t0, 9))); !errors.Is(err, ErrSequence) || len(u.Metrics) != 0 || b.asks() != 1 {
		t.Errorf("%v, %v", names(u), err)
	}
	b = born(t)
	// Of two metrics the known one is believed.
	u, err := b.send(ddata, withSeq(2, onlyAlias(NewMetric("", Float, t0, 9), 77), onlyAlias(NewMetric("", Float, t0, 5), 1)))
	if diff := cmp.Diff([]string{"p=5"}, names(u)); diff != "" || !errors.Is(err, ErrSequence) || b.asks() != 1 {
		t.Errorf("%v\n%s", err, diff)
	}
	// An alias of the node is none of the device.
	if u, err = b.send(ddata, withSeq(3, onlyAlias(NewMetric("", Boolean, t0, 1), 9))); !errors.Is(err, ErrSequence) || len(u.Metrics) != 0 {
		t.Errorf("%v, %v", names(u), err)
	}
}

// A will that comes after the next birth belongs to the session before (bdSeq, chapter 5). A death has no seq.
func TestDeaths(t *testing.T) {
	b := born(t)
	if u, err := b.send(ndeath, Payload{Metrics: []Metric{session(2)}}); !errors.Is(err, ErrOld) || u.Death {
		t.Errorf("the will of an earlier session: %v, %v", u, err)
	}
	if _, err := b.send(ddata, withSeq(2, NewMetric("p", Float, t0, 1))); err != nil {
		t.Errorf("after it: %v", err)
	}
	if u, err := b.send(ndeath, Payload{Metrics: []Metric{session(3)}}); err != nil || !u.Death {
		t.Errorf("%v, %v", u, err)
	}
	if u, err := b.send(ddata, withSeq(3, NewMetric("p", Float, t0, 1))); !errors.Is(err, ErrSequence) || len(u.Metrics) != 0 {
		t.Errorf("a value after the death: %v, %v", names(u), err)
	}
	b.host.Requests()
	b = born(t)
	if u, err := b.send(ndeath, Payload{Metrics: []Metric{session(3)}}); err != nil || !u.Death {
		t.Fatal(err)
	}
	b.host.Tick(b.now.Add(time.Hour))
	if n := b.asks(); n != 0 {
		t.Error("a dead node is asked for its births")
	}
}

// A device may go alone; its death has a number, and its values are nothing until it is born again.
func TestDeviceDeath(t *testing.T) {
	b := born(t)
	if u, err := b.send(ddeath, withSeq(2)); err != nil || !u.Death {
		t.Fatalf("%v, %v", u, err)
	}
	if _, err := b.send(ndata, withSeq(3, NewMetric("up", Boolean, t0, 1))); err != nil {
		t.Errorf("the node lives on: %v", err)
	}
	if u, err := b.send(ddata, withSeq(4, NewMetric("p", Float, t0, 1))); !errors.Is(err, ErrSequence) || len(u.Metrics) != 0 {
		t.Errorf("%v, %v", names(u), err)
	}
	if u, err := b.send(dbirth, withSeq(5, aliased(NewMetric("p", Float, t0, 1), 1))); err != nil || !u.Birth {
		t.Fatal(err)
	}
	if u, err := b.send(ddata, withSeq(6, onlyAlias(NewMetric("", Float, t0, 3), 1))); err != nil || len(u.Metrics) != 1 {
		t.Errorf("%v, %v", names(u), err)
	}
}

// A message that came twice is no gap (a bridge may repeat QoS 0), and tells nothing again.
func TestRepeatedMessage(t *testing.T) {
	b := born(t)
	p := withSeq(2, NewMetric("p", Float, t0, 1))
	p.Timestamp, p.HasTimestamp = millis(t0), true
	if _, err := b.send(ddata, p); err != nil {
		t.Fatal(err)
	}
	if u, err := b.send(ddata, p); !errors.Is(err, ErrOld) || len(u.Metrics) != 0 || b.asks() != 0 {
		t.Errorf("%v, %v", names(u), err)
	}
	if _, err := b.send(ddata, withSeq(3, NewMetric("p", Float, t0, 1))); err != nil {
		t.Error(err)
	}
}

// Values of the past keep their times; a metric without a time has that of its payload.
func TestTimes(t *testing.T) {
	b := born(t)
	past := NewMetric("p", Float, t0.Add(-time.Hour), 1)
	past.Historical = true
	bare := NewMetric("p", Float, t0, 2)
	bare.HasTimestamp, bare.Timestamp = false, 0
	p := withSeq(2, past, bare)
	p.Timestamp, p.HasTimestamp = millis(t0.Add(time.Minute)), true
	u, err := b.send(ddata, p)
	if err != nil || len(u.Metrics) != 2 || !u.Metrics[0].Historical || u.Metrics[0].Timestamp != millis(t0.Add(-time.Hour)) ||
		u.Metrics[1].Timestamp != millis(t0.Add(time.Minute)) {
		t.Errorf("%+v, %v", u.Metrics, err)
	}
}

func TestBirthsThatBreakTheRules(t *testing.T) {
	for text, send := range map[string]func(b *bench) error{
		"has no seq": func(b *bench) error {
			_, err := b.send(nbirth, Payload{Metrics: []Metric{session(0)}})
			return err
		},
		"has no name": func(b *bench) error {
			_, err := b.send(nbirth, withSeq(0, onlyAlias(NewMetric("", Float, t0, 1), 1)))
			return err
		},
		`alias 1 stands for "p" and for "q"`: func(b *bench) error {
			_, err := b.send(nbirth, withSeq(0, aliased(NewMetric("p", Float, t0, 1), 1), aliased(NewMetric("q", Float, t0, 1), 1)))
			return err
		},
	} {
		if err := send(newBench(t)); err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%v; want %q", err, text)
		}
	}
	// Aliases are unique over the devices of a node (tck-id-payloads-alias-uniqueness).
	b := born(t)
	if _, err := b.send("spBv1.0/G/DBIRTH/E/D2", withSeq(2, aliased(NewMetric("q", Float, t0, 1), 2))); err == nil {
		t.Error("an alias of another device is taken")
	}
	// Nodes that nobody asked for, and commands, are not followed.
	if u, err := b.send("spBv1.0/G/NDATA/other", withSeq(9)); err != nil || len(u.Metrics) != 0 || b.asks() != 0 {
		t.Errorf("%v, %v", u, err)
	}
	if _, err := b.send("spBv1.0/G/NCMD/E", Payload{}); err != nil {
		t.Error(err)
	}
}

// Whatever is lost, doubled or born anew, a value is never told under a false name: the metric of each is in its value.
func TestNoValueUnderAFalseName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBench(t)
		metrics := []string{"m0", "m1", "m2", "m3"}
		order := slices.Clone(metrics) // the alias of a metric is its place
		seq, bd := uint64(0), uint64(0)
		number := func() uint64 { s := seq % 256; seq++; return s }
		send := func(topic string, p Payload) (lost bool) {
			p.Timestamp, p.HasTimestamp = millis(b.now), true
			if rapid.IntRange(0, 9).Draw(t, "lost") == 0 {
				b.now = b.now.Add(time.Second)
				return true
			}
			u, err := b.send(topic, p)
			for i := range u.Metrics {
				m := &u.Metrics[i]
				v, _ := m.Number()
				if want := fmt.Sprintf("m%g", v); strings.HasPrefix(m.Name, "m") && m.Name != want {
					t.Fatalf("%s was told as %s (%v)", want, m.Name, err)
				}
			}
			return false
		}
		births := func() (lost bool) {
			order = rapid.Permutation(metrics).Draw(t, "order")
			lost = send(nbirth, withSeq(number(), session(bd)))
			var ms []Metric
			for alias, name := range order {
				ms = append(ms, aliased(NewMetric(name, Float, t0, float64(name[1]-'0')), uint64(alias)))
			}
			send(dbirth, withSeq(number(), ms...))
			return lost
		}
		births()
		for range rapid.IntRange(1, 80).Draw(t, "messages") {
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				births()
			case 1:
				lost := send(ndeath, Payload{Metrics: []Metric{session(bd)}})
				bd++
				seq = 0
				if births() && lost {
					// No number tells that a whole change of session was lost. It is lost where the host had no connection.
					b.host.Connected(b.now)
				}
			case 2:
				send(ddeath, withSeq(number()))
				births()
			default:
				alias := rapid.IntRange(0, 3).Draw(t, "alias")
				send(ddata, withSeq(number(), onlyAlias(NewMetric("", Float, t0, float64(order[alias][1]-'0')), uint64(alias))))
			}
		}
	})
}
