// Package sparkplug reads Sparkplug 3.0 (ISO/IEC 20237:2023): the topics, the payload B, and what a host must know of
// the edge nodes to give each value its name. It sends nothing; what must be sent is handed to the caller.
//
// The names tck-... beside the rules are those of the specification's own conformance statements.
package sparkplug

import (
	"errors"
	"fmt"
	"strings"
)

// Namespace is the first level of every topic.
const Namespace = "spBv1.0"

// Type is what a message is for: the third level of its topic.
type Type string

// The types of messages (chapter 4, topics and messages).
const (
	NodeBirth     Type = "NBIRTH"
	NodeDeath     Type = "NDEATH"
	NodeData      Type = "NDATA"
	NodeCommand   Type = "NCMD"
	DeviceBirth   Type = "DBIRTH"
	DeviceDeath   Type = "DDEATH"
	DeviceData    Type = "DDATA"
	DeviceCommand Type = "DCMD"
	// State tells whether a host is online; its payload is JSON.
	State Type = "STATE"
)

// ofDevice tells which types have a device level (tck-id-topic-structure-namespace-device-id-associated-message-types) and
// which have none (...-non-associated-message-types).
var ofDevice = map[Type]bool{
	NodeBirth: false, NodeDeath: false, NodeData: false, NodeCommand: false,
	DeviceBirth: true, DeviceDeath: true, DeviceData: true, DeviceCommand: true,
}

// Topic is spBv1.0/Group/Type/Node[/Device], or spBv1.0/STATE/Host.
type Topic struct {
	Group  string
	Type   Type
	Node   string
	Device string
	// Host is the id of a STATE message's host; the other levels are then empty.
	Host string
}

// ErrNotSparkplug is a topic of another namespace.
var ErrNotSparkplug = errors.New("the topic does not begin with " + Namespace + "/")

// ParseTopic takes a topic apart. The error says what is wrong, and is ErrNotSparkplug for a topic of another namespace.
func ParseTopic(text string) (Topic, error) {
	levels := strings.Split(text, "/")
	if levels[0] != Namespace || len(levels) < 2 {
		return Topic{}, fmt.Errorf("topic %q: %w", text, ErrNotSparkplug)
	}
	for _, id := range levels {
		// tck-id-topic-structure-namespace-valid-group-id and its like: no level is empty or a wildcard.
		if id == "" || strings.ContainsAny(id, "+#") {
			return Topic{}, fmt.Errorf("topic %q: a level is empty or has one of + and #", text)
		}
	}
	if Type(levels[1]) == State {
		if len(levels) != 3 {
			return Topic{}, fmt.Errorf("topic %q: a STATE topic is %s/STATE/HOST", text, Namespace)
		}
		return Topic{Type: State, Host: levels[2]}, nil
	}
	if len(levels) < 4 {
		return Topic{}, fmt.Errorf("topic %q: has %d levels; a topic is %s/GROUP/TYPE/NODE[/DEVICE]", text, len(levels), Namespace)
	}
	t := Topic{Group: levels[1], Type: Type(levels[2]), Node: levels[3]}
	device, known := ofDevice[t.Type]
	switch {
	case !known:
		return Topic{}, fmt.Errorf("topic %q: the type %q is not known", text, t.Type)
	case device && len(levels) != 5:
		return Topic{}, fmt.Errorf("topic %q: %s names a device: %s/GROUP/%s/NODE/DEVICE", text, t.Type, Namespace, t.Type)
	case !device && len(levels) != 4:
		return Topic{}, fmt.Errorf("topic %q: %s names no device: %s/GROUP/%s/NODE", text, t.Type, Namespace, t.Type)
	}
	if device {
		t.Device = levels[4]
	}
	return t, nil
}

// String is the topic as it is published.
func (t Topic) String() string {
	if t.Type == State {
		return Namespace + "/STATE/" + t.Host
	}
	s := Namespace + "/" + t.Group + "/" + string(t.Type) + "/" + t.Node
	if t.Device != "" {
		s += "/" + t.Device
	}
	return s
}

// Filters are the topics to subscribe to in order to follow an edge node and all its devices: the numbers of its messages
// run over all of them.
func (t Topic) Filters() []string {
	of := func(k Type, device string) string {
		return Topic{Group: t.Group, Type: k, Node: t.Node, Device: device}.String()
	}
	return []string{
		of(NodeBirth, ""), of(NodeData, ""), of(NodeDeath, ""),
		of(DeviceBirth, "+"), of(DeviceData, "+"), of(DeviceDeath, "+"),
	}
}
