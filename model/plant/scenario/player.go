package scenario

import (
	"math/rand/v2"
	"slices"
	"time"

	"diastole/model/plant"
	"diastole/model/plant/sensor"
)

const (
	slice = time.Second           // between looks at the plan
	tick  = 10 * time.Millisecond // between looks at what pumps share
	// unseen is how long a pump runs after a change in a pause, before it is looked at again.
	unseen = 10 * time.Second
)

// Message is what arrives from one pump. It owns its values.
type Message struct {
	Pump string
	sensor.Message
}

// Player plays a scenario. It is not safe for concurrent use.
type Player struct {
	s      Scenario
	main   *plant.Main
	actors []actor
	now    time.Duration
	queue  []Message
}

// actor is one pump on stage.
type actor struct {
	plan    *Pump
	pump    *plant.Pump
	process plant.Process
	wear    []Wear
	array   *sensor.Array
	post    *sensor.Post
	next    int // entry of the plan to come
	ramps   []ramp
}

// ramp is a change that takes time.
type ramp struct {
	change Change
	from   float64
}

// New sets the stage; it refuses what Validate refuses.
func New(s Scenario) (*Player, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	p := &Player{s: s}
	if s.Header.Nominal > 0 {
		p.main = plant.NewMain(s.Header, s.Seed)
	}
	for i := range s.Pumps {
		a, err := newActor(&s.Pumps[i], s.Seed+uint64(i)*1000003)
		if err != nil {
			return nil, err
		}
		p.actors = append(p.actors, a)
	}
	return p, nil
}

func newActor(plan *Pump, seed uint64) (actor, error) {
	params, err := plant.Generic(plan.Model)
	if err != nil {
		return actor{}, err
	}
	params = params.Scatter(rand.New(rand.NewPCG(seed, 7)), plan.Scatter)
	params.DamperGas = plan.Damper * params.StrokeVolume() * 1e5
	a := actor{plan: plan, pump: plant.New(params, seed), process: params.Reference(), wear: slices.Clone(plan.Wear), post: sensor.NewPost(seed, plan.Link)}
	for _, q := range plan.Process {
		if err := a.process.SetQuantity(q.Quantity, q.Value); err != nil {
			return actor{}, err
		}
	}
	a.pump.Used(plan.Used)
	a.pump.Set(plant.Faults{}, a.process)
	a.pump.Run(5*slice, slice, nil) // it has been running
	a.array, err = sensor.NewArray(seed, plan.Instruments...)
	return a, err
}

// Next plays up to a second and hands over what arrived, in order of arrival. It returns false when the
// scenario is over.
func (p *Player) Next(sink func(Message)) bool {
	if p.now >= p.s.Length {
		return false
	}
	end := min(p.now+slice, p.s.Length)
	rest := time.Duration(0)
	if b := p.s.Bursts; b.Every > 0 {
		phase := p.now % b.Every
		end = min(end, p.now-phase+b.Length)
		if end-p.now+phase >= b.Length {
			rest = b.Every - b.Length
		}
	}
	for i := range p.actors {
		a := &p.actors[i]
		if a.prepare(p.now) && p.s.Bursts.Every > 0 && p.now%p.s.Bursts.Every == 0 {
			a.pump.Run(unseen, slice, nil) // what changed in a pause has long settled
		}
	}
	p.run(end)
	if rest > 0 || end >= p.s.Length {
		for i := range p.actors {
			a := &p.actors[i]
			a.array.Flush(func(c sensor.Chunk) { a.post.Send(p.s.Start.Add(end), c) })
		}
	}
	if rest > 0 {
		for i := range p.actors {
			p.actors[i].pump.FastForward(rest)
		}
		if p.main != nil {
			p.main.Advance(rest.Seconds(), 0)
		}
		end += rest
	}
	p.now = end
	p.deliver(sink)
	return p.now < p.s.Length
}

// Rebuild mends a pump of the plan now, beside what the plan has for it: all wear that has begun ends, and new seals begin
// to bed in. Other ids are ignored.
func (p *Player) Rebuild(id string) {
	for i := range p.actors {
		a := &p.actors[i]
		if a.plan.ID != id {
			continue
		}
		a.pump.Rebuild()
		a.wear = slices.DeleteFunc(a.wear, func(w Wear) bool { return w.From <= p.now })
	}
}

// Now is how far the player has come.
func (p *Player) Now() time.Time { return p.s.Start.Add(p.now) }

// run advances all pumps together.
func (p *Player) run(end time.Duration) {
	for at := p.now; at < end; at += tick {
		var drawn, delivered float64
		for i := range p.actors {
			a := &p.actors[i]
			if p.main != nil {
				a.pump.SetHeader(p.main.Pressure())
			}
			if p.s.Manifold.Resistance > 0 {
				a.pump.SetStaticHead(p.s.Manifold.Pressure())
			}
			before := a.pump.Totals()
			now := p.s.Start.Add(at)
			send := func(c sensor.Chunk) {
				// A message leaves when its last reading is taken.
				a.post.Send(now, c)
			}
			a.pump.Run(min(tick, end-at), sensor.Base, func(x plant.Sample) {
				a.array.Look(now, x, send)
				now = now.Add(sensor.Base)
			})
			after := a.pump.Totals()
			drawn += (after.AirIn - before.AirIn) / tick.Seconds()
			delivered += (after.LiquidOut - before.LiquidOut) / tick.Seconds()
		}
		if p.s.Manifold.Resistance > 0 {
			p.s.Manifold.Advance(tick.Seconds(), delivered)
		}
		if p.main != nil {
			p.main.Advance(tick.Seconds(), drawn)
		}
	}
}

// deliver hands on what has arrived by now, of all pumps in order; at the end, all that is under way.
func (p *Player) deliver(sink func(Message)) {
	now := p.Now()
	if p.now >= p.s.Length {
		now = now.Add(100 * 365 * 24 * time.Hour)
	}
	p.queue = p.queue[:0]
	for i := range p.actors {
		a := &p.actors[i]
		a.post.Deliver(now, func(m sensor.Message) { p.queue = append(p.queue, Message{a.plan.ID, m}) })
	}
	slices.SortStableFunc(p.queue, func(a, b Message) int { return a.Arrival.Compare(b.Arrival) })
	for _, m := range p.queue {
		sink(m)
	}
}

// prepare brings faults, process and troubles to where the plan has them, and tells whether the plan had
// anything.
func (a *actor) prepare(now time.Duration) (changed bool) {
	changed = len(a.ramps) > 0
	for a.next < len(a.plan.Plan) && a.plan.Plan[a.next].At <= now {
		a.begin(a.plan.Plan[a.next])
		changed = true
		a.next++
	}
	a.ramps = slices.DeleteFunc(a.ramps, func(r ramp) bool {
		share := 1.0
		if r.change.Over > 0 {
			share = min(1, float64(now-r.change.At)/float64(r.change.Over))
		}
		// Validate has tried the name and the value; both ends of the ramp are in range.
		if err := a.process.SetQuantity(r.change.Quantity, r.from+share*(r.change.Value-r.from)); err != nil {
			panic(err)
		}
		return share >= 1
	})
	var f plant.Faults
	for _, w := range a.wear {
		if size := w.At(now); size > 0 {
			g, err := plant.Fault(w.Fault, w.Side, size, a.pump.Params())
			if err != nil {
				panic(err) // Validate has tried it
			}
			f = f.Plus(g)
		}
	}
	a.pump.Set(f, a.process)
	return changed
}

func (a *actor) begin(c Change) {
	switch {
	case c.Rebuild:
		a.pump.Rebuild()
	case c.Channel != "":
		a.array.Set(c.Channel, c.Trouble)
	default:
		from, err := a.process.Quantity(c.Quantity)
		if err != nil {
			panic(err) // Validate has tried it
		}
		if c.Over > 0 && (c.Quantity == "air_off" || c.Quantity == "dead_head" || c.Quantity == "dry_run") {
			c.Over = 0
		}
		a.ramps = append(a.ramps, ramp{c, from})
	}
}
