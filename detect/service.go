package detect

import (
	"time"

	"diastole/detect/feature"
	"diastole/detect/signal"
)

// use is what the pump is used for and whether it has air, as far as signals tell it: while it is cleaned, purged or out of
// service, or its air is shut off, what it does says nothing about its wear.
type use struct {
	Service signal.Service
	// Since is when the present state of service began, Idle the stretches in which it was another than ServiceRun.
	Since time.Time
	Idle  []Stretch
	// Shut is true while the air valve is known to be closed.
	Shut bool
	// Seen is what the pump itself was last seen doing, whatever it is used for.
	Seen feature.Transition
}

// idleKept is how many stretches out of service are remembered: an epoch is minutes long, or a burst.
const idleKept = 32

// signals takes the channels that tell the use, and reports whether the use has changed.
func (u *use) signals(c signal.Chunk) (changed bool) {
	for i, v := range c.Values {
		at := c.Start.Add(time.Duration(i) * c.Step)
		switch c.Channel {
		case signal.AirValveOpen:
			shut := v < 0.5
			changed = changed || shut != u.Shut
			u.Shut = shut
		case signal.ServiceState:
			s := signal.Service(v)
			if s == u.Service {
				continue
			}
			if u.Service != signal.ServiceRun {
				u.Idle = append(u.Idle, Stretch{u.Since, at})
				u.Idle = u.Idle[max(0, len(u.Idle)-idleKept):]
			}
			u.Service, u.Since, changed = s, at, true
		}
	}
	return changed
}

// idle reports whether the pump was out of service at some time from one moment to another.
func (u *use) idle(from, to time.Time) bool {
	if u.Service != signal.ServiceRun && to.After(u.Since) {
		return true
	}
	for _, s := range u.Idle {
		if s.From.Before(to) && from.Before(s.To) {
			return true
		}
	}
	return false
}

// follow takes a chunk's word on the use of the pump. What it stands for is told anew when that changes.
func (m *Monitor) follow(c signal.Chunk) {
	if (c.Channel == signal.AirValveOpen || c.Channel == signal.ServiceState) && m.state.Use.signals(c) && !m.state.Use.Seen.Time.IsZero() {
		t := m.state.Use.Seen
		t.Time = c.End()
		m.tell(t)
	}
}

// transition takes what the pump was seen doing.
func (m *Monitor) transition(t feature.Transition) {
	m.state.Use.Seen = t
	m.tell(t)
}

// tell tells what the pump does by what it is used for.
func (m *Monitor) tell(t feature.Transition) {
	u := &m.state.Use
	noAir := u.Shut || m.settings.AirBeforeValve && !m.settings.Channels[signal.AirValveOpen]
	switch {
	case u.Service != signal.ServiceRun:
		t.State = feature.Unknown
	case (t.State == feature.NotStroking || t.State == feature.Dry || t.State == feature.Stalled) && m.watch.Contradicts(t.Since):
		t.State = feature.Unknown // a pressure stands still, and not the pump
	case t.State == feature.NotStroking && noAir:
		// The transmitter sees the main, not the pump: without the valve's own word nobody knows whether it has air.
		t.State = feature.Unknown
		if u.Shut {
			t.State = feature.Off
		}
	}
	if t.State == m.state.Running.State && t.Since.Equal(m.state.Running.Since) && !m.state.Running.Time.IsZero() {
		return
	}
	m.state.Running = t
	m.emit(m.state.Episodes.transition(t))
}

// setAside makes an epoch in which the pump was out of service one that is neither learned from nor judged. It is stored so,
// and therefore stays so when epochs are folded again.
func (m *Monitor) setAside(e *feature.Epoch) {
	if m.state.Use.idle(e.Start, e.End) {
		e.State = feature.Unknown
	}
}

// ordinary is an epoch of a stepped pump as if it were an ordinary one, whose liquid pressure can reach the air pressure and no
// more.
func ordinary(e feature.Epoch, ratio float64) feature.Epoch {
	if ratio > 0 {
		e.Discharge.V /= ratio
		e.Discharge.SE /= ratio
	}
	return e
}
