package sensor

import (
	"math/rand/v2"
	"slices"
	"time"
)

// Link is how messages travel: each takes Delay and up to Spread more, and some fare worse.
type Link struct {
	Delay, Spread time.Duration
	// Lost, Doubled and Late are chances per message; a late one takes up to Lateness more, and a doubled
	// one comes again within it.
	Lost, Doubled, Late float64
	Lateness            time.Duration
}

// Message is a chunk at its arrival. It owns its values.
type Message struct {
	Arrival time.Time
	Chunk
}

// Post gathers messages and hands them on in the order of their arrival.
type Post struct {
	link  Link
	rng   *rand.Rand
	queue []Message
}

// NewPost is a link at work; the seed fixes what happens to whom.
func NewPost(seed uint64, l Link) *Post {
	return &Post{link: l, rng: rand.New(rand.NewPCG(seed, 0x94d049bb133111eb))}
}

// Send takes a chunk that is complete at a time.
func (p *Post) Send(complete time.Time, c Chunk) {
	l := p.link
	if l.Lost > 0 && p.rng.Float64() < l.Lost {
		return
	}
	c.Values = slices.Clone(c.Values)
	m := Message{complete.Add(l.Delay + p.part(l.Spread)), c}
	if l.Late > 0 && p.rng.Float64() < l.Late {
		m.Arrival = m.Arrival.Add(p.part(l.Lateness))
	}
	p.insert(m)
	if l.Doubled > 0 && p.rng.Float64() < l.Doubled {
		m.Arrival = m.Arrival.Add(p.part(l.Lateness))
		p.insert(m)
	}
}

// part is a random part of d.
func (p *Post) part(d time.Duration) time.Duration {
	return time.Duration(p.rng.Float64() * float64(d))
}

// insert keeps the queue sorted by arrival, and by sending where arrivals are equal.
func (p *Post) insert(m Message) {
	i := len(p.queue)
	for i > 0 && p.queue[i-1].Arrival.After(m.Arrival) {
		i--
	}
	p.queue = slices.Insert(p.queue, i, m)
}

// Deliver hands on all that has arrived by now, in order.
func (p *Post) Deliver(now time.Time, sink func(Message)) {
	n := 0
	for n < len(p.queue) && !p.queue[n].Arrival.After(now) {
		sink(p.queue[n])
		n++
	}
	p.queue = slices.Delete(p.queue, 0, n)
}

// Pending is how many messages are under way.
func (p *Post) Pending() int { return len(p.queue) }
