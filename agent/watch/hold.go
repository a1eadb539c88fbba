package watch

import (
	"slices"
	"time"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/detect/signal"
)

const (
	// holdStep is the spacing at which a value that is sent on change only is repeated.
	holdStep = time.Second
	// holdLag is how long after its moment a repetition is made: a new value that is on its way comes first.
	holdLag = time.Second
	// holdAlive is how long after the last message of the pump values are repeated: what is silent altogether may be cut off,
	// and then nobody knows.
	holdAlive = time.Minute
	// holdMost is how long one value is repeated.
	holdMost = time.Hour
)

// held is the last value of a channel that is sent on change only. Until another comes it is what the sensor reads, so it is
// repeated once a second for who looks at stretches of time.
type held struct {
	Channel        signal.Channel
	Value          float64
	Start, Arrival time.Time
	// Told is how many repetitions have been made or passed over.
	Told int64
}

// due is when the next repetition is made, in arrival time.
func (h *held) due() time.Time {
	return h.Arrival.Add(time.Duration(h.Told+1)*holdStep + holdLag)
}

// holding is what a pump holds. Its repetitions depend on the messages and their arrivals alone, never on ticks.
type holding struct {
	Held []held
	// Heard is the arrival of the pump's newest message.
	Heard time.Time

	channels [signal.NumChannels]bool
	routes   [signal.NumChannels]*intake.Route
}

// follow makes the holding of a pump's channels. A state of service holds by itself, and an edge is over at once.
func (h *holding) follow(p *config.Pump) {
	for i := range p.Channels {
		c := &p.Channels[i]
		h.channels[c.Channel] = c.OnChange && c.Channel != signal.ServiceState && c.Channel != signal.StrokeEdge
	}
}

// take notes the last value of a chunk that has been accepted.
func (h *holding) take(arrival time.Time, c signal.Chunk) {
	h.Heard = arrival
	if !h.channels[c.Channel] {
		return
	}
	n := len(c.Values) - 1
	next := held{Channel: c.Channel, Value: c.Values[n], Start: c.Start.Add(time.Duration(n) * c.Step), Arrival: arrival}
	i := slices.IndexFunc(h.Held, func(x held) bool { return x.Channel == c.Channel })
	switch {
	case i < 0:
		h.Held = append(h.Held, next)
	case !next.Start.Before(h.Held[i].Start):
		h.Held[i] = next
	}
}

// repeat offers the repetitions that are due at a time, in the order in which they are.
func (h *holding) repeat(now time.Time, offer func(arrival time.Time, c signal.Chunk)) {
	for {
		first := -1
		for i := range h.Held {
			if first < 0 || h.Held[i].due().Before(h.Held[first].due()) {
				first = i
			}
		}
		if first < 0 || h.Held[first].due().After(now) {
			return
		}
		x := &h.Held[first]
		at := x.due()
		x.Told++
		if !h.holds(x, at) {
			x.Told = max(x.Told, int64((now.Sub(x.Arrival)-holdLag)/holdStep))
			continue
		}
		offer(at, signal.Chunk{Channel: x.Channel, Start: x.Start.Add(time.Duration(x.Told) * holdStep), Values: []float64{x.Value}})
	}
}

// holds tells whether a value is still believed at a time.
func (h *holding) holds(x *held, at time.Time) bool {
	if at.Sub(h.Heard) > holdAlive || at.Sub(x.Arrival) > holdMost {
		return false
	}
	r := h.routes[x.Channel]
	if r == nil {
		return true
	}
	gone := r.Offline()
	return gone.IsZero() || at.Before(gone)
}
