package main

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/plant/sensor"
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

const (
	burst = 12 * time.Second
	tick  = 50 * time.Millisecond
	// settle is how long a pump runs unseen before it is looked at; after a change or a standstill it is rest.
	settle, rest = 3 * time.Second, 20 * time.Second
)

// simulate plays some hours of a pump, seen for some seconds an hour, and keeps what a recorder would get.
func (t *trial) simulate(hours int) error {
	rng := rand.New(rand.NewPCG(t.seed, 31))
	st, err := drawStation(t.kind, rng)
	if err != nil {
		return err
	}
	w := newWeather(&st, rng)
	size := t.kind.course.of(rng)
	way := rng.Uint64()

	t.Model, t.Meter = st.model.Name, st.meter
	array, err := sensor.NewArray(rng.Uint64(), st.instruments...)
	if err != nil {
		return err
	}
	post := sensor.NewPost(rng.Uint64(), st.link)
	p := plant.New(st.params, rng.Uint64())
	p.Used(st.used)
	p.Set(plant.Faults{}, w.air(w.over(st.process, 0), 0))
	p.Settle()
	now, idle := time.Duration(0), false
	for hour := range hours {
		at := time.Duration(hour)*time.Hour + time.Duration(rng.IntN(540))*time.Second
		day := at.Hours() / 24
		s := setup{params: st.params, process: st.process}
		if x := size(day); x > 0 {
			t.kind.apply(&s, x, rand.New(rand.NewPCG(way, 32)))
		}
		s.process = w.over(s.process, day)
		wasIdle := idle
		if idle = rng.Float64() < w.idle; idle {
			s.process.AirOff = rng.IntN(2) == 0
			s.process.DeadHead = !s.process.AirOff
		}
		before := settle
		if idle || wasIdle || w.moved(now, at) || math.Abs(size(day)-size(now.Hours()/24)) > 0.1 {
			before = rest
		}
		p.FastForward(max(0, at-before-now))
		w.main.Advance((at - now).Seconds(), 0)
		for _, i := range st.instruments {
			array.Set(i.Channel, s.troubles[i.Channel])
		}
		p.Set(s.faults, w.air(s.process, day))
		p.Run(before, time.Second, nil)
		t.look(p, w, &s, array, post, at)
		t.Bursts = append(t.Bursts, arrived(post, start.Add(at)))
		t.Sizes = append(t.Sizes, size(day))
		now = at + burst
	}
	return nil
}

// look records one burst.
func (t *trial) look(p *plant.Pump, w *weather, s *setup, array *sensor.Array, post *sensor.Post, at time.Duration) {
	day := at.Hours() / 24
	for d := time.Duration(0); d < burst; d += tick {
		p.Set(s.faults, w.air(s.process, day))
		now := start.Add(at + d)
		p.Run(tick, sensor.Base, func(x plant.Sample) {
			array.Look(now, x, func(c sensor.Chunk) { post.Send(start.Add(at+d), c) })
			now = now.Add(sensor.Base)
		})
		w.main.Advance(tick.Seconds(), 0)
	}
	array.Flush(func(c sensor.Chunk) { post.Send(start.Add(at+burst), c) })
}

// arrived is what came of a burst, as a recorder that stamps whole seconds would settle it: in order of time, each once.
func arrived(post *sensor.Post, at time.Time) []signal.Chunk {
	var out []signal.Chunk
	post.Deliver(at.Add(time.Minute), func(m sensor.Message) {
		ch, err := signal.ParseChannel(m.Channel)
		if err != nil {
			panic("BUG: " + err.Error())
		}
		c := signal.Chunk{Channel: ch, Start: m.Start, Step: m.Step, Values: m.Values}
		if ch == signal.StrokeCount {
			c.Start = m.Arrival.Truncate(time.Second)
		}
		out = append(out, c)
	})
	slices.SortStableFunc(out, func(a, b signal.Chunk) int {
		return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.Channel, b.Channel))
	})
	return slices.CompactFunc(out, func(a, b signal.Chunk) bool { return a.Channel == b.Channel && a.Start.Equal(b.Start) })
}
