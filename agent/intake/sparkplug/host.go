package sparkplug

import (
	"errors"
	"fmt"
	"time"
)

const (
	// askAgain is how long a node that was asked for its births is given before it is asked again: the request travels at QoS
	// 0 and may be lost.
	askAgain = time.Minute
	// askSilent is the longest time between requests to a node that says nothing at all, which may not exist.
	askSilent = time.Hour
)

// mostDevices is how many devices of one node are followed.
const mostDevices = 4096

// Host follows edge nodes: it gives each value its name and type, and asks for births where it cannot. It is one
// goroutine's; what it does depends on the messages and their arrivals alone, but for Tick, which only asks.
//
// It is no primary host application: it publishes no STATE, so no node waits for it and none leaves with it.
type Host struct {
	nodes    map[nodeID]*node
	order    []nodeID
	requests []Request
}

type nodeID struct{ group, node string }

// node is what is known of an edge node.
type node struct {
	// born is false before the first birth, after a death, and where a message was lost: what aliases mean is then not known.
	born, dead bool
	bdSeq      uint64
	hasBdSeq   bool
	seq        uint64
	stamp      uint64
	aliases    map[uint64]definition
	devices    map[string]*device // "" is the node itself
	asked      time.Time
	silent     int // how often it was asked without a message of it
}

// device is what is known of a device since its birth.
type device struct{ types map[string]DataType }

// definition is what a birth says of an alias.
type definition struct {
	name, device string
	kind         DataType
}

// Request is a message to be published, at QoS 0 and not retained (tck-id-topics-ncmd-mqtt).
type Request struct {
	Topic   string
	Payload []byte
}

// NewHost is a host that follows no node yet.
func NewHost() *Host { return &Host{nodes: map[nodeID]*node{}} }

// Watch follows the node of a topic.
func (h *Host) Watch(t Topic) {
	id := nodeID{t.Group, t.Node}
	if h.nodes[id] == nil {
		h.nodes[id] = &node{}
		h.order = append(h.order, id)
	}
}

// Update is what a message told.
type Update struct {
	// Metrics have their names and types. Timestamps are those of the metric, else of the payload.
	Metrics []Metric
	// Birth is true where they are all metrics of the node or device, each with its last value.
	Birth bool
	// Death is true where the node, or the device of the topic, has gone: its values are stale.
	Death bool
}

// The reasons for which a message tells nothing.
var (
	// ErrSequence is a message whose meaning is not known because an earlier one is missing.
	ErrSequence = errors.New("an earlier message is missing")
	// ErrOld is a death of an earlier session, or a message that came twice: there is nothing to do.
	ErrOld = errors.New("the message is old")
)

// Take follows one message of a watched node; of others it says nothing.
func (h *Host) Take(t Topic, payload []byte, arrival time.Time) (Update, error) {
	id := nodeID{t.Group, t.Node}
	n := h.nodes[id]
	if n == nil || t.Type == NodeCommand || t.Type == DeviceCommand || t.Type == State {
		return Update{}, nil
	}
	n.silent = 0
	p, err := Decode(payload)
	if err != nil {
		if t.Type != NodeDeath && n.born {
			// It had a number, which is lost with it.
			n.born = false
			h.ask(id, n, arrival)
		}
		return Update{}, err
	}
	p.stampMetrics()
	var u Update
	switch t.Type {
	case NodeBirth:
		u, err = n.birth(p)
	case NodeDeath:
		u, err = n.death(p)
	default:
		u, err = n.numbered(t, p)
	}
	if errors.Is(err, ErrSequence) {
		h.ask(id, n, arrival)
	}
	return u, err
}

// stampMetrics gives metrics without a time of their own that of the payload.
func (p *Payload) stampMetrics() {
	for i := range p.Metrics {
		if m := &p.Metrics[i]; !m.HasTimestamp && p.HasTimestamp {
			m.Timestamp, m.HasTimestamp = p.Timestamp, true
		}
	}
}

// birth begins a session of the node. Its devices must be born again behind it. The number may be any
// (payloads-sequence-num-zero-nbirth; the topics chapter asks for 0, which a rebirth of many nodes does not keep).
func (n *node) birth(p Payload) (Update, error) {
	if !p.HasSeq || p.Seq > 255 {
		return Update{}, fmt.Errorf("the birth of the node has no seq from 0 to 255: %w", ErrSequence)
	}
	fresh := node{born: true, seq: p.Seq, stamp: p.Timestamp, aliases: map[uint64]definition{}, devices: map[string]*device{}}
	for i := range p.Metrics {
		if m := &p.Metrics[i]; m.Name == bdSeq {
			fresh.bdSeq, fresh.hasBdSeq = m.bits, m.kind == intValue || m.kind == longValue
		}
	}
	if err := fresh.define("", p.Metrics); err != nil {
		return Update{}, err
	}
	*n = fresh
	return Update{Metrics: p.Metrics, Birth: true}, nil
}

// define learns the metrics of a birth.
func (n *node) define(of string, metrics []Metric) error {
	if n.devices[of] == nil && len(n.devices) >= mostDevices {
		return fmt.Errorf("the node has more than %d devices", mostDevices)
	}
	for alias, d := range n.aliases {
		if d.device == of {
			delete(n.aliases, alias) // born again
		}
	}
	d := &device{types: make(map[string]DataType, len(metrics))}
	for i := range metrics {
		m := &metrics[i]
		if !m.HasName || m.Name == "" {
			return errors.New("a metric of the birth has no name") // tck-id-payloads-name-birth-data-requirement
		}
		d.types[m.Name] = m.Type
		if !m.HasAlias {
			continue
		}
		// tck-id-payloads-alias-uniqueness: over the node and all its devices.
		if other, twice := n.aliases[m.Alias]; twice {
			return fmt.Errorf("alias %d stands for %q and for %q", m.Alias, other.name, m.Name)
		}
		n.aliases[m.Alias] = definition{m.Name, of, m.Type}
	}
	n.devices[of] = d
	return nil
}

// death ends the session whose birth had the same bdSeq; a late will of an earlier one does not
// (tck-id-payloads-ndeath-will-message, chapter 5 on bdSeq). It has no seq.
func (n *node) death(p Payload) (Update, error) {
	for i := range p.Metrics {
		m := &p.Metrics[i]
		if m.Name == bdSeq && n.born && n.hasBdSeq && m.bits != n.bdSeq {
			return Update{}, fmt.Errorf("a death of session %d came in session %d: %w", m.bits, n.bdSeq, ErrOld)
		}
	}
	*n = node{dead: true, asked: n.asked}
	return Update{Death: true}, nil
}

// numbered follows the messages that carry a number of the node's session.
func (n *node) numbered(t Topic, p Payload) (Update, error) {
	switch want := (n.seq + 1) % 256; {
	case !n.born:
		return Update{}, fmt.Errorf("%s came before the birth of the node: %w", t.Type, ErrSequence)
	case p.HasSeq && p.Seq == want:
	case p.HasSeq && p.Seq == n.seq && p.Timestamp == n.stamp:
		return Update{}, fmt.Errorf("seq %d came twice: %w", p.Seq, ErrOld)
	default:
		// What was lost may have been a birth, after which the aliases stand for other metrics.
		n.born = false
		return Update{}, fmt.Errorf("seq %d came where %d was due: %w", p.Seq, want, ErrSequence)
	}
	n.seq, n.stamp = p.Seq, p.Timestamp
	switch t.Type {
	case DeviceBirth:
		if err := n.define(t.Device, p.Metrics); err != nil {
			return Update{}, err
		}
		return Update{Metrics: p.Metrics, Birth: true}, nil
	case DeviceDeath:
		delete(n.devices, t.Device)
		return Update{Death: true}, nil
	}
	d := n.devices[t.Device]
	if d == nil {
		return Update{}, fmt.Errorf("%s came before the birth of device %q: %w", t.Type, t.Device, ErrSequence)
	}
	return n.resolve(t.Device, d, p.Metrics)
}

// resolve gives the metrics of a data message the names and types of their birth. Those that it did not have are left out,
// and the node is asked for its births.
func (n *node) resolve(of string, d *device, metrics []Metric) (Update, error) {
	u := Update{Metrics: metrics[:0]}
	var err error
	for _, m := range metrics {
		kind, known := DataType(0), false
		switch {
		case m.HasName:
			kind, known = d.types[m.Name]
		case m.HasAlias:
			var def definition
			def, known = n.aliases[m.Alias]
			known = known && def.device == of
			m.Name, m.HasName, kind = def.name, true, def.kind
		}
		if !known {
			err = fmt.Errorf("a metric (name %q, alias %d) was not in the birth: %w", m.Name, m.Alias, ErrSequence)
			continue
		}
		if m.Type == Unknown {
			m.Type = kind
		}
		u.Metrics = append(u.Metrics, m)
	}
	return u, err
}

// ask requests the births of a node, once, and again only after askAgain without them.
func (h *Host) ask(id nodeID, n *node, at time.Time) {
	if !n.asked.IsZero() && at.Sub(n.asked).Abs() < askAgain {
		return
	}
	n.asked = at
	h.requests = append(h.requests, Request{
		Topic: Topic{Group: id.group, Type: NodeCommand, Node: id.node}.String(),
		Payload: Payload{
			Timestamp: millis(at), HasTimestamp: true,
			Metrics: []Metric{NewMetric(Rebirth, Boolean, at, 1)},
		}.Encode(),
	})
}

// Tick asks the nodes that have not been heard: one that reports on change only may have nothing to say for long. A dead
// node is left alone, it sends its births when it comes back.
func (h *Host) Tick(now time.Time) {
	for _, id := range h.order {
		n := h.nodes[id]
		if n.born || n.dead || n.silent > 0 && now.Sub(n.asked).Abs() < min(askSilent, askAgain<<min(n.silent-1, 10)) {
			continue
		}
		before := len(h.requests)
		h.ask(id, n, now)
		n.silent += len(h.requests) - before
	}
}

// Connected tells that messages may have been missed: no value is believed until its node has sent its births anew, for which
// all are asked (chapter 5: what a host knows is stale when it loses its connection).
func (h *Host) Connected(now time.Time) {
	for _, id := range h.order {
		n := h.nodes[id]
		n.born, n.dead, n.asked = false, false, time.Time{}
		h.ask(id, n, now)
	}
}

// Requests hands out what is to be published since the last call.
func (h *Host) Requests() []Request {
	out := h.requests
	h.requests = nil
	return out
}
