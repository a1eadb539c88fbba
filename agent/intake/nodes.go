package intake

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"diastole/agent/intake/payload"
	"diastole/agent/intake/sparkplug"
	"diastole/detect/signal"
)

// nodes are the routes that Sparkplug edge nodes feed.
type nodes struct {
	host   *sparkplug.Host
	byNode map[edgeNode][]source
}

type edgeNode struct{ group, node string }

// source is one route with the metric that feeds it; device is empty for a metric of the node itself.
type source struct {
	route        *Route
	device, name string
}

func newNodes() *nodes {
	return &nodes{host: sparkplug.NewHost(), byNode: map[edgeNode][]source{}}
}

// add takes a route whose topic is that of the node's or device's data.
func (n *nodes) add(route *Route, metric string) error {
	t, err := sparkplug.ParseTopic(route.Topic)
	if err != nil {
		return err
	}
	if t.Type != sparkplug.NodeData && t.Type != sparkplug.DeviceData {
		return fmt.Errorf("topic %q: name the topic of the data, NDATA or DDATA, not %s", route.Topic, t.Type)
	}
	n.host.Watch(t)
	id := edgeNode{t.Group, t.Node}
	n.byNode[id] = append(n.byNode[id], source{route, t.Device, metric})
	return nil
}

// filters adds the topics of all nodes to those of other routes.
func (n *nodes) filters(topics map[string][]*Route) map[string][]*Route {
	for id := range n.byNode {
		for _, f := range (sparkplug.Topic{Group: id.group, Node: id.node}).Filters() {
			topics[f] = nil
		}
	}
	return topics
}

// decode follows a message of an edge node, and tells whether it was one.
func (n *nodes) decode(s *payload.Samples, m Message, each func(*Route, []signal.Chunk)) bool {
	if m.Topic == ConnectedTopic {
		n.host.Connected(m.Arrival)
		return true
	}
	if len(n.byNode) == 0 || !strings.HasPrefix(m.Topic, sparkplug.Namespace+"/") {
		return false
	}
	t, err := sparkplug.ParseTopic(m.Topic)
	sources := n.byNode[edgeNode{t.Group, t.Node}]
	if err != nil || len(sources) == 0 {
		return false
	}
	// A message of another device matters only where it shows that one is missing.
	mine := func(x source) bool { return x.device == t.Device }
	if len(m.Payload) > payload.MaxSize {
		m.Payload = m.Payload[:payload.MaxSize] // which cannot be decoded, and says so
	}
	if m.Retained {
		// No message of Sparkplug but STATE may be retained: a birth of whenever would give aliases of then.
		for _, x := range sources {
			if mine(x) {
				x.route.messages.Add(1)
				x.route.retained.Add(1)
			}
		}
		return true
	}
	update, err := n.host.Take(t, m.Payload, m.Arrival)
	for _, x := range sources {
		if mine(x) {
			x.route.messages.Add(1)
		}
		if err != nil && !errors.Is(err, sparkplug.ErrOld) && (mine(x) || errors.Is(err, sparkplug.ErrSequence)) {
			x.route.refuse(m, refusal(err))
		}
		switch {
		case update.Death && (mine(x) || t.Type == sparkplug.NodeDeath):
			each(x.route, nil)
			x.route.offline.Store(m.Arrival.UnixNano())
		case mine(x) && (update.Birth || len(update.Metrics) > 0):
			x.take(s, m, update, each)
		}
	}
	return true
}

// refusal is what a message is refused for, as a payload of another format would be.
func refusal(err error) *payload.Error {
	if errors.Is(err, sparkplug.ErrSequence) {
		return &payload.Error{Reason: payload.Sequence, Text: err.Error()}
	}
	return &payload.Error{Reason: payload.Syntax, Text: err.Error()}
}

// take hands the metric of a route on. A birth tells all metrics that there are, so one that is not in it does not exist.
func (x source) take(s *payload.Samples, m Message, u sparkplug.Update, each func(*Route, []signal.Chunk)) {
	named := func(y sparkplug.Metric) bool { return y.Name == x.name }
	if u.Birth && !slices.ContainsFunc(u.Metrics, named) {
		x.route.refuse(m, &payload.Error{
			Reason: payload.Missing,
			Text:   fmt.Sprintf("the birth has no metric %q; it has %s", x.name, metricNames(u.Metrics)),
		})
		return
	}
	if u.Birth {
		each(x.route, nil)
		x.route.offline.Store(0)
	}
	chunks, err := x.route.codec.Metrics(s, u.Metrics, u.Birth, m.Arrival)
	if err != nil {
		x.route.refuse(m, err)
		return
	}
	if len(chunks) > 0 {
		each(x.route, chunks)
	}
}

// metricNames lists some names of a birth.
func metricNames(metrics []sparkplug.Metric) string {
	const most = 12
	all := map[string]bool{}
	for i := range metrics {
		all[fmt.Sprintf("%.60q", metrics[i].Name)] = true
	}
	names := slices.Sorted(maps.Keys(all))
	if len(names) > most {
		names = append(names[:most], "and others")
	}
	return strings.Join(names, ", ")
}
