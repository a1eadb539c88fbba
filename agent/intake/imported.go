package intake

import (
	"strings"

	"diastole/agent/config"
	"diastole/agent/intake/payload"
	"diastole/detect/signal"
)

// importPrefix begins the topics of what was read from a table. No broker sends them (MQTT 3.1.1, 4.7.2).
const importPrefix = "$diastole/import/"

// ImportTopic is the topic of a channel's history. Its payload is {"t": RFC 3339 time, "v": raw number}, in the unit of the channel's
// configuration; that of a stroke edge has 1 for a closing.
func ImportTopic(pump string, c signal.Channel) string { return importPrefix + pump + "/" + c.String() }

// imported leads from a topic of history to a route.
type imported struct {
	route *Route
	codec *payload.Codec
}

// takeImports makes the way of a route's history.
func (r *Router) takeImports(route *Route, ch config.Channel) error {
	ch.Format, ch.Value, ch.Time, ch.TimeUnit, ch.Name = config.FormatJSON, "/v", "/t", "", ""
	codec, err := payload.New(ch)
	if err != nil {
		return err
	}
	r.imports[ImportTopic(route.PumpID, route.Channel)] = imported{route, codec}
	return nil
}

// decodeImport takes a message of history, and tells whether it was one.
func (r *Router) decodeImport(s *payload.Samples, m Message, each func(*Route, []signal.Chunk)) bool {
	if !strings.HasPrefix(m.Topic, importPrefix) {
		return false
	}
	x, ok := r.imports[m.Topic]
	if !ok {
		r.unrouted.Add(1)
		return true
	}
	x.route.messages.Add(1)
	if chunks := x.route.decode(s, m, x.codec); len(chunks) > 0 {
		each(x.route, chunks)
	}
	return true
}

// ImportedPump is the pump of a topic of history, empty for other topics.
func ImportedPump(topic string) string {
	rest, ok := strings.CutPrefix(topic, importPrefix)
	if !ok {
		return ""
	}
	pump, _, _ := strings.Cut(rest, "/")
	return pump
}
