// Package watch is the agent without its sockets and disk: messages of all pumps of a site go in, epochs, tickets and
// events come out. Live and replay run exactly this code; time comes only from the arrivals of messages and from ticks.
package watch

import (
	"fmt"
	"log/slog"
	"slices"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
	"diastole/agent/intake/settle"
	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/signal"
)

// Epoch is a finished epoch of a pump.
type Epoch struct {
	Pump  string
	Epoch feature.Epoch
}

// Ticket is a ticket as it stands since a time of the data.
type Ticket struct {
	Time   time.Time
	Ticket event.Ticket
}

// Advisory is an advisory as it stands since a time of the data.
type Advisory struct {
	Time     time.Time
	Advisory event.Advisory
}

// Output is what came of messages and ticks: rows to store and events to send, in the order of their making.
type Output struct {
	Epochs     []Epoch
	Events     []event.Event
	Tickets    []Ticket
	Advisories []Advisory
	// Rebuilds and Bodies are those that have changed, as they now stand.
	Rebuilds []event.Rebuild
	Bodies   []event.Body
}

// Empty tells that there is nothing in it.
func (o *Output) Empty() bool {
	return len(o.Epochs)+len(o.Events)+len(o.Tickets)+len(o.Advisories)+len(o.Rebuilds)+len(o.Bodies) == 0
}

// Site watches all pumps of a configuration. It is not safe for concurrent use; one goroutine owns it.
type Site struct {
	cfg     *config.Config
	router  *intake.Router
	pumps   []*pump
	samples payload.Samples
	// deliver is take, made once so that a message does not allocate; arrival is that of the message under way.
	deliver func(*intake.Route, []signal.Chunk)
	arrival time.Time
	lives   *Lives
}

// New makes a site whose pumps have seen nothing. The error names the channel that cannot be decoded.
func New(cfg *config.Config, log *slog.Logger) (*Site, error) {
	router, err := intake.NewRouter(cfg.Pumps, log)
	if err != nil {
		return nil, fmt.Errorf("channels: %w", err)
	}
	s := &Site{cfg: cfg, router: router, lives: NewLives(nil)}
	shared := map[string][]diagnose.Hypothesis{} // pumps of one model share them
	for i := range cfg.Pumps {
		p := &cfg.Pumps[i]
		m := p.Settings.Model
		if shared[m.Name] == nil {
			if shared[m.Name], err = diagnose.Hypotheses(m); err != nil {
				return nil, fmt.Errorf("pump %s: %w", p.ID, err)
			}
		}
		w := newPump(cfg.Site, p, shared[m.Name])
		w.lives, w.liquids, w.costs = s.lives, s.liquid, cfg.Costs
		s.pumps = append(s.pumps, w)
	}
	s.deliver = s.take
	for _, r := range router.Routes() {
		s.pumps[r.Pump].holding.routes[r.Channel] = r
	}
	return s, nil
}

// liquid is what a position pumps, empty where that is not stated.
func (s *Site) liquid(pump string) string {
	for _, p := range s.pumps {
		if p.cfg.ID == pump {
			return p.cfg.Installed.Liquid
		}
	}
	return ""
}

// Router is where messages go; its counts may be read from any goroutine.
func (s *Site) Router() *intake.Router { return s.router }

// Message takes one message. Messages come in the order of their arrival.
func (s *Site) Message(m intake.Message) {
	s.arrival = m.Arrival
	s.router.Decode(&s.samples, m, s.deliver)
}

// take hands the chunks of a route's message to its pump.
func (s *Site) take(r *intake.Route, chunks []signal.Chunk) {
	p := s.pumps[r.Pump]
	p.advance(s.arrival)
	for _, c := range chunks {
		p.offer(s.arrival, c)
	}
}

// Tick lets time pass for all pumps, so that silence is seen too. However many ticks come between two messages, what
// comes out is the same.
func (s *Site) Tick(now time.Time) {
	s.router.Tick(now)
	for _, p := range s.pumps {
		p.advance(now)
	}
}

// Take returns what came out since the last call.
func (s *Site) Take() Output {
	var all Output
	for _, p := range s.pumps {
		all.Epochs = append(all.Epochs, p.out.Epochs...)
		all.Events = append(all.Events, p.out.Events...)
		all.Tickets = append(all.Tickets, p.out.Tickets...)
		all.Advisories = append(all.Advisories, p.out.Advisories...)
		all.Rebuilds = append(all.Rebuilds, p.out.Rebuilds...)
		all.Bodies = append(all.Bodies, p.out.Bodies...)
		p.out = Output{}
	}
	for _, r := range all.Rebuilds {
		s.lives.add(r)
	}
	return all
}

// Status is what is known of one pump now, for people to see.
type Status struct {
	Pump *config.Pump
	// Settings are the monitor's, with the hypotheses that it weighs.
	Settings detect.Settings
	// LastData is the end of the newest samples, LastArrival when they came; zero before the first.
	LastData, LastArrival time.Time
	// Newest is the newest finished epoch; its Start is zero before the first.
	Newest     feature.Epoch
	Monitor    detect.Status
	Settled    settle.Counts
	Tickets    []event.Ticket
	Advisories []event.Advisory
	// Offline are the channels whose sender is known to be gone.
	Offline []Offline
	// SinceRebuild is the strokes since the pump was new or rebuilt; 0 where that is not known.
	SinceRebuild float64
	// Body is the pump body that stands there, Parts what its components have run, Rebuild its last rebuild or nil.
	Body    event.Body
	Parts   []event.Part
	Rebuild *event.Rebuild
}

// Offline is a channel that nothing can come from, since its edge node or device told its death.
type Offline struct {
	Channel signal.Channel
	Since   time.Time
}

// offline lists the channels of a pump that are offline.
func (p *pump) offline() (out []Offline) {
	for c, r := range p.holding.routes {
		if r != nil && !r.Offline().IsZero() {
			out = append(out, Offline{signal.Channel(c), r.Offline()}) // #nosec G115 -- an index of the channels
		}
	}
	return out
}

// Status reports on all pumps in the order of the configuration. What it returns is not changed later.
func (s *Site) Status() []Status {
	out := make([]Status, len(s.pumps))
	for i, p := range s.pumps {
		out[i] = Status{
			Pump: p.cfg, Settings: p.settings, LastData: p.lastData, LastArrival: p.lastArrival, Newest: p.newest, Monitor: p.monitor.Status(), Settled: p.settler.Counts(),
			Tickets: slices.Clone(p.book.Tickets), Advisories: slices.Clone(p.book.Advisories), Offline: p.offline(),
		}
		out[i].Body, out[i].Parts = p.book.Body, p.parts(p.total())
		if r := p.book.Body.Rebuilt; r != nil {
			out[i].SinceRebuild = p.total() - *r
		}
		if r := p.book.Rebuild; r != nil {
			c := *r
			out[i].Rebuild = &c
		}
	}
	return out
}

// Snapshot stores all that is known of a pump, and the time of its newest data.
func (s *Site) Snapshot(pump string) (time.Time, []byte, error) {
	p := s.find(pump)
	if p == nil {
		return time.Time{}, nil, fmt.Errorf("pump %s is not configured", pump)
	}
	data, err := p.snapshot()
	return p.newest.End, data, err
}

// Known is what the store knows of all pumps beside epochs and snapshots: what people did is nowhere else.
type Known struct {
	// Tickets are those that stand, and closed ones, the oldest first.
	Tickets    []event.Ticket
	Advisories []event.Advisory
	Bodies     []event.Body
	// Rebuilds are the last ones of each body.
	Rebuilds []event.Rebuild
}

// Adopt takes what the store knows in place of what folding the epochs gave. What that folding told has been told before, but
// for how rebuilds have turned out since: that is told with the ids that it had.
func (s *Site) Adopt(k Known) {
	s.lives.learn(k.Rebuilds)
	for _, p := range s.pumps {
		p.out = Output{}
		folded := p.book.Rebuild
		p.book = book{Body: p.book.Body}
		p.know(k)
		for _, t := range k.Tickets {
			switch {
			case t.Pump != p.cfg.ID:
			case t.State != event.StateClosed:
				p.book.Tickets = append(p.book.Tickets, t)
			case t.Outcome == event.Done || t.Outcome == event.Verified:
				p.book.keepDone(t)
			}
		}
		for _, a := range k.Advisories {
			if a.Pump == p.cfg.ID {
				p.book.Advisories = append(p.book.Advisories, a)
			}
		}
		p.catchUp(folded)
	}
}

// Restore goes on where a snapshot was taken, and folds the epochs that were finished since. Without a snapshot (nil) it
// folds the epochs alone, which are those since the baseline began, with what the store knows of the body. A snapshot that cannot be read is an error, after which the pump is as new.
func (s *Site) Restore(pump string, snapshot []byte, epochs []feature.Epoch, k Known) error {
	p := s.find(pump)
	if p == nil {
		return fmt.Errorf("pump %s is not configured", pump)
	}
	s.lives.learn(k.Rebuilds)
	if snapshot == nil {
		p.know(k)
		p.resume()
		p.refold(epochs)
		return nil
	}
	return p.restore(snapshot, epochs)
}

func (s *Site) find(id string) *pump {
	for _, p := range s.pumps {
		if p.cfg.ID == id {
			return p
		}
	}
	return nil
}
