package demo

import (
	"encoding/json"
	"sync"

	"diastole/agent/event"
)

// orders are the pumps whose tickets were closed as done, and that the simulator is still to rebuild. The zero value is
// ready.
type orders struct {
	mu    sync.Mutex
	pumps []string
}

// note takes the orders out of events. Story has told of those that cannot be read.
func (o *orders) note(events []event.Event) {
	for _, e := range events {
		var t event.Ticket
		if e.Type != event.TicketClosed || json.Unmarshal(e.Data, &t) != nil || t.Outcome != event.Done {
			continue
		}
		o.mu.Lock()
		o.pumps = append(o.pumps, t.Pump)
		o.mu.Unlock()
	}
}

// take gives the orders since the last call.
func (o *orders) take() []string {
	o.mu.Lock()
	defer o.mu.Unlock()
	out := o.pumps
	o.pumps = nil
	return out
}
