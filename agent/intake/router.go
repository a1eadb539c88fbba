package intake

import (
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"diastole/agent/config"
	"diastole/agent/intake/payload"
	"diastole/agent/intake/sparkplug"
	"diastole/detect/signal"
)

// Router knows which channels of which pumps a topic feeds. Decode and Tick are one goroutine's, the pipeline's; all else may
// be called from any.
type Router struct {
	byTopic  map[string][]*Route
	routes   []*Route
	nodes    *nodes
	imports  map[string]imported
	unrouted atomic.Int64
}

// NewRouter makes the routes of all channels. The error names the pump and channel that cannot be decoded.
func NewRouter(pumps []config.Pump, log *slog.Logger) (*Router, error) {
	r := &Router{byTopic: map[string][]*Route{}, nodes: newNodes(), imports: map[string]imported{}}
	for i, p := range pumps {
		for _, ch := range p.Channels {
			codec, err := payload.New(ch)
			if err != nil {
				return nil, fmt.Errorf("pump %s, channel %s: %w", p.ID, ch.Channel, err)
			}
			route := &Route{
				Pump: i, PumpID: p.ID, Channel: ch.Channel, Topic: ch.Topic,
				codec: codec, log: log, malformed: map[payload.Reason]int64{},
			}
			r.routes = append(r.routes, route)
			if err := r.takeImports(route, ch); err != nil {
				return nil, fmt.Errorf("pump %s, channel %s: %w", p.ID, ch.Channel, err)
			}
			if ch.Format != config.FormatSparkplugB {
				r.byTopic[ch.Topic] = append(r.byTopic[ch.Topic], route)
				continue
			}
			if err := r.nodes.add(route, ch.Name); err != nil {
				return nil, fmt.Errorf("pump %s, channel %s: %w", p.ID, ch.Channel, err)
			}
		}
	}
	return r, nil
}

// Topics are the topics to subscribe to, each once, sorted. Those of Sparkplug have a level that is +.
func (r *Router) Topics() []string {
	return slices.Sorted(maps.Keys(r.nodes.filters(maps.Clone(r.byTopic))))
}

// Decode hands the samples of a message to each of the routes that it feeds, in the order of the configuration. They lie in
// s and are valid until s is used again. A route also gets no samples right before what sends it goes, or comes back: what is
// to be done until then must be done now (see Route.Offline).
func (r *Router) Decode(s *payload.Samples, m Message, each func(*Route, []signal.Chunk)) {
	if r.nodes.decode(s, m, each) || r.decodeImport(s, m, each) {
		return
	}
	for _, route := range r.Find(m.Topic) {
		if chunks := route.Decode(s, m); len(chunks) > 0 {
			each(route, chunks)
		}
	}
}

// Tick lets the time of requests pass: see Requests.
func (r *Router) Tick(now time.Time) { r.nodes.host.Tick(now) }

// Requests are messages that should be published since the last call, at QoS 0 and not retained: edge nodes of Sparkplug that
// should send their births anew.
func (r *Router) Requests() []sparkplug.Request { return r.nodes.host.Requests() }

// Find is where a message of a topic goes, in the order of the configuration. A topic that feeds nothing is
// counted.
func (r *Router) Find(topic string) []*Route {
	routes := r.byTopic[topic]
	if len(routes) == 0 {
		r.unrouted.Add(1)
	}
	return routes
}

// Routes are all routes in the order of the configuration.
func (r *Router) Routes() []*Route { return r.routes }

// Unrouted is how many messages came on a topic that feeds nothing.
func (r *Router) Unrouted() int64 { return r.unrouted.Load() }

// Route leads from a topic to one channel of one pump. It may be used by several goroutines.
type Route struct {
	// Pump is the index of the pump in the configuration.
	Pump    int
	PumpID  string
	Channel signal.Channel
	Topic   string

	codec    *payload.Codec
	log      *slog.Logger
	offline  atomic.Int64 // since when, ns since 1970; 0 where it is not
	messages atomic.Int64
	retained atomic.Int64

	mu        sync.Mutex // guards what follows, which only bad payloads touch
	malformed map[payload.Reason]int64
	lastBad   *BadPayload
	warned    time.Time
	unwarned  int64
}

// BadPayload is a payload that was refused, kept for inspection.
type BadPayload struct {
	Time   time.Time      `json:"time"`
	Reason payload.Reason `json:"reason"`
	// Text says where it is wrong and what is allowed.
	Text string `json:"text"`
	// Size is the length of the whole payload, Payload its beginning.
	Size    int    `json:"size"`
	Payload []byte `json:"payload"`
}

// RouteStats is what came over a route so far.
type RouteStats struct {
	// Messages counts all of the topic, Retained those that were old and had no time of their own.
	Messages  int64                    `json:"messages"`
	Retained  int64                    `json:"retained"`
	Malformed map[payload.Reason]int64 `json:"malformed"`
	// LastBad is the last refused payload, nil where there was none.
	LastBad *BadPayload `json:"last_bad,omitempty"`
}

// Decode turns a message of the route's topic into chunks whose values lie in s (see payload.Codec). It gives none for a
// message that brings no samples: a malformed one, which is counted, kept and named in the log, and a retained one
// without a time of its own, of which nobody knows when it was true.
func (r *Route) Decode(s *payload.Samples, m Message) []signal.Chunk {
	r.messages.Add(1)
	if m.Retained && r.codec.ArrivalTimed() {
		r.retained.Add(1)
		return nil
	}
	return r.decode(s, m, r.codec)
}

func (r *Route) decode(s *payload.Samples, m Message, codec *payload.Codec) []signal.Chunk {
	chunks, err := codec.Decode(s, m.Payload, m.Arrival)
	if err != nil {
		r.refuse(m, err)
		return nil
	}
	return chunks
}

// Offline is since when what sends this channel is known to be gone, by its Sparkplug death; zero where it is not.
func (r *Route) Offline() time.Time {
	if ns := r.offline.Load(); ns != 0 {
		return time.Unix(0, ns).UTC()
	}
	return time.Time{}
}

// Stats is a copy of the route's counts.
func (r *Route) Stats() RouteStats {
	r.mu.Lock()
	defer r.mu.Unlock()
	return RouteStats{
		Messages: r.messages.Load(), Retained: r.retained.Load(),
		Malformed: maps.Clone(r.malformed), LastBad: r.lastBad,
	}
}

const (
	// keptPayload is how much of a bad payload is kept, bytes.
	keptPayload = 4 << 10
	// warnEvery is how often a channel's bad payloads are named in the log, in message time.
	warnEvery = time.Minute
)

func (r *Route) refuse(m Message, err error) {
	bad := &BadPayload{
		Time: m.Arrival, Text: err.Error(), Size: len(m.Payload),
		Payload: slices.Clone(m.Payload[:min(len(m.Payload), keptPayload)]),
	}
	if e, ok := errors.AsType[*payload.Error](err); ok {
		bad.Reason = e.Reason
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.malformed[bad.Reason]++
	r.lastBad = bad
	r.unwarned++
	// A clock that went back must not silence the log until it has caught up.
	if since := m.Arrival.Sub(r.warned).Abs(); since < warnEvery {
		return
	}
	r.log.Warn("payload refused", "pump", r.PumpID, "channel", r.Channel.String(), "topic", r.Topic,
		"reason", string(bad.Reason), "error", bad.Text, "refused_since_last", r.unwarned)
	r.warned, r.unwarned = m.Arrival, 0
}
