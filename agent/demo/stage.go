package demo

import (
	"fmt"
	"time"

	"diastole/agent/config"
	"diastole/model/plant/scenario"
)

// stage is the simulated plant and the clock that goes with it.
type stage struct {
	player *scenario.Player
	wires  wires
	clock  *clock
	orders orders
}

// message is what a gateway publishes.
type message struct {
	topic   string
	payload []byte
}

// newStage sets the plant of the configuration up.
func newStage(cfg *config.Config, seed uint64) (*stage, error) {
	s, err := plan(cfg, seed)
	if err != nil {
		return nil, err
	}
	player, err := scenario.New(s)
	if err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	return &stage{player: player, wires: newWires(cfg), clock: newClock(start)}, nil
}

// second plays a second of a burst and sets the clock to when its messages arrive. After the last second of a burst the
// player stands behind the pause already.
func (s *stage) second() []message {
	for _, pump := range s.orders.take() {
		s.player.Rebuild(pump)
	}
	var all []message
	arrival := s.clock.now()
	s.player.Next(func(m scenario.Message) {
		topic, payload := s.wires.encode(m)
		all = append(all, message{topic, payload})
		arrival = m.Arrival
	})
	s.clock.set(arrival)
	return all
}

// taken lets the clock go on, once the messages of a second are where they belong.
func (s *stage) taken() { s.clock.set(s.player.Now()) }

// after is the time of the plant since its start.
func (s *stage) after() time.Duration { return s.player.Now().Sub(start) }
