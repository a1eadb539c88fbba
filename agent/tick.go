package agent

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/store"
	"diastole/agent/watch"
	"diastole/detect/feature"
)

const (
	// snapshotEvery is how often a pump's whole state is stored; epochs in between are folded again after a crash.
	snapshotEvery = time.Hour
	// staleAfter is how long a pump may be silent before it is called stale: longer than the hour between bursts.
	staleAfter = 3 * time.Hour
	beatEvery  = time.Minute
)

// board is what the pipeline shows to the page and the metrics: all pumps as of one tick.
type board struct {
	at    time.Time
	pumps []watch.Status
	// saved is when each pump was last stored whole, beat the last heartbeat, both of time.Now; only the pipeline
	// reads them.
	saved map[string]time.Time
	beat  time.Time
}

// act is something that people asked for; the pipeline does it and tells the number of the rows that it made.
type act struct {
	do   func()
	done chan int64
}

// tick is the pipeline's way for the passing of time.
func (a *Agent) tick(now time.Time) {
	a.passed = now
	a.site.Tick(now)
	a.request()
	a.turn()
}

// request publishes what edge nodes are asked for. Where too much waits already it is asked for again later.
func (a *Agent) request() {
	for _, r := range a.site.Router().Requests() {
		if a.session.Publish(r.Topic, r.Payload) {
			a.log.Info("an edge node is asked for its births", "topic", r.Topic)
		}
	}
}

// turn does what people asked for, hands over what came out, and shows the pumps as they are now.
func (a *Agent) turn() {
	a.turned = time.Now()
	acts := a.asked()
	for _, x := range acts {
		x.do()
	}
	n := a.handOver(false)
	a.publish()
	for _, x := range acts {
		x.done <- n
	}
}

// asked are the acts that wait.
func (a *Agent) asked() []act {
	var acts []act
	for {
		select {
		case x := <-a.acts:
			acts = append(acts, x)
		default:
			return acts
		}
	}
}

// handOver gives to the committer what came out, with snapshots that are due, or all of them at the end.
func (a *Agent) handOver(last bool) int64 {
	out := a.taken()
	if a.tell != nil && len(out.Events) > 0 {
		a.tell(out.Events)
	}
	b := store.Batch{Events: out.Events, Rebuilds: out.Rebuilds, Bodies: out.Bodies}
	for _, e := range out.Epochs {
		b.Epochs = append(b.Epochs, store.Epoch{Pump: e.Pump, Epoch: e.Epoch})
	}
	for _, t := range out.Tickets {
		b.Tickets = append(b.Tickets, store.Ticket{Time: t.Time, Ticket: t.Ticket})
	}
	for _, v := range out.Advisories {
		b.Advisories = append(b.Advisories, store.Advisory{Time: v.Time, Open: v.Advisory.Outcome == "", Advisory: v.Advisory})
	}
	old := a.status.Load()
	now := time.Now()
	if now.Sub(old.beat) >= beatEvery && !last {
		old.beat = now
		b.Events = append(b.Events, a.heartbeat(old, a.clock()))
	}
	for _, p := range a.cfg.Pumps {
		if !last && now.Sub(old.saved[p.ID]) < snapshotEvery && !relearns(out.Events, p.ID) {
			continue
		}
		old.saved[p.ID] = now
		at, data, err := a.site.Snapshot(p.ID)
		if err != nil {
			a.log.Error("the pump's state cannot be stored", "pump", p.ID, "error", err)
			continue
		}
		if at.IsZero() {
			at = time.Unix(0, 0) // no epoch is finished: all that come are later
		}
		b.Snapshots = append(b.Snapshots, store.Snapshot{Pump: p.ID, Time: at, Body: data})
	}
	b.States = a.states(out)
	return a.commits.add(b)
}

// taken is what came out since the last call.
func (a *Agent) taken() watch.Output {
	out := a.site.Take()
	if !a.early.Empty() {
		first := a.early
		a.early = watch.Output{}
		first.Epochs = append(first.Epochs, out.Epochs...)
		first.Events = append(first.Events, out.Events...)
		first.Tickets = append(first.Tickets, out.Tickets...)
		first.Advisories = append(first.Advisories, out.Advisories...)
		return first
	}
	return out
}

// relearns tells that a pump has unlearned its healthy state: its epochs cannot tell so, therefore its state is stored at once.
func relearns(events []event.Event, pump string) bool {
	return slices.ContainsFunc(events, func(e event.Event) bool { return e.Type == event.BaselineReset && e.Subject == pump })
}

// states are the retained states of the pumps that have something new.
func (a *Agent) states(out watch.Output) []store.State {
	changed := map[string]bool{}
	for _, e := range out.Epochs {
		changed[e.Pump] = true
	}
	for _, e := range out.Events {
		changed[e.Subject] = true
	}
	if len(changed) == 0 {
		return nil
	}
	var states []store.State
	for _, s := range a.site.Status() {
		if !changed[s.Pump.ID] {
			continue
		}
		data, err := json.Marshal(stateOf(s))
		if err != nil {
			a.log.Error("the pump's state cannot be told", "pump", s.Pump.ID, "error", err)
			continue
		}
		states = append(states, store.State{Pump: s.Pump.ID, Time: s.Newest.End, JSON: data})
	}
	return states
}

// pumpState is the retained message on a pump's state topic. Fields that are not known are absent.
type pumpState struct {
	Pump       string             `json:"pump"`
	State      string             `json:"state"`
	Since      time.Time          `json:"since,omitzero"`
	Time       time.Time          `json:"time,omitzero"`
	Learned    float64            `json:"learned"`
	Inlet      *float64           `json:"inlet_pa,omitempty"`
	Discharge  *float64           `json:"discharge_pa,omitempty"`
	Features   map[string]float64 `json:"features,omitempty"`
	Statistic  float64            `json:"statistic,omitempty"`
	Threshold  float64            `json:"threshold,omitempty"`
	Tickets    []string           `json:"tickets"`
	Advisories []string           `json:"advisories"`
}

func stateOf(s watch.Status) pumpState {
	p := pumpState{
		Pump: s.Pump.ID, State: s.Monitor.Running.State.String(), Since: s.Monitor.Running.Since, Time: s.Newest.End,
		Learned: s.Monitor.Learned, Statistic: s.Monitor.Score, Threshold: s.Monitor.Threshold,
		Tickets: []string{}, Advisories: []string{}, Features: map[string]float64{},
	}
	if s.Newest.Inlet.Valid {
		p.Inlet = &s.Newest.Inlet.V
	}
	if s.Newest.Discharge.Valid {
		p.Discharge = &s.Newest.Discharge.V
	}
	for f := range feature.NumFeatures {
		if v := s.Newest.Features[f]; v.Valid {
			p.Features[f.String()] = v.V
		}
	}
	for _, t := range s.Tickets {
		p.Tickets = append(p.Tickets, t.Ticket)
	}
	for _, v := range s.Advisories {
		p.Advisories = append(p.Advisories, v.Advisory)
	}
	return p
}

func (a *Agent) heartbeat(b *board, now time.Time) event.Event {
	beat := event.Beat{Pumps: len(b.pumps)}
	for _, s := range b.pumps {
		if stale(s, now) {
			beat.Stale++
		}
		if s.Monitor.Learned < 1 {
			beat.Learning++
		}
	}
	e, err := event.New(a.cfg.Site, "", event.Heartbeat, now.Truncate(time.Second), "heartbeat", beat)
	if err != nil {
		panic(fmt.Sprintf("BUG: %v", err)) // three integers
	}
	return e
}

// stale reports whether data of the pump should have come and has not: because nothing can come, or because a channel that
// is not sent on change only has been silent.
func stale(s watch.Status, now time.Time) bool {
	switch {
	case s.LastData.IsZero(), len(s.Offline) == len(s.Pump.Channels):
		return true
	case !slices.ContainsFunc(s.Pump.Channels, func(c config.Channel) bool { return !c.OnChange }):
		return false
	}
	return now.Sub(s.LastArrival) > staleAfter
}

// publish shows the pumps as they are now.
func (a *Agent) publish() {
	next := &board{at: a.clock(), pumps: a.site.Status(), saved: map[string]time.Time{}}
	if old := a.status.Load(); old != nil {
		next.saved, next.beat = old.saved, old.beat
	} else {
		for _, p := range a.cfg.Pumps {
			next.saved[p.ID] = time.Now()
		}
	}
	a.status.Store(next)
	a.viewers.wake()
}
