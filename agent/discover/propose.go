package discover

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"

	"diastole/agent/config"
	"diastole/detect/signal"
)

// Channel is one proposed channel.
type Channel struct {
	ID     signal.Channel
	seen   *signalSeen
	unit   guess
	shared bool
	// why says where the channel's name was guessed from numbers alone.
	why string
}

// Pump is what belongs together.
type Pump struct {
	ID string
	// Sure is true where the id stands in the topics, and not only the place.
	Sure     bool
	Channels []Channel
}

// Proposal is what a survey leads to.
type Proposal struct {
	Pumps []Pump
	// left are signals that no channel was found for, with what they look like.
	left []leftover
	// silent are topics with payloads that nothing could be made of.
	silent []string
}

type leftover struct {
	seen *signalSeen
	why  string
}

// Propose makes pumps of what was heard.
func (s *Survey) Propose() Proposal {
	groups := map[string]*Pump{}
	var order []string
	unnamed := map[string][]*signalSeen{}
	var p Proposal
	for _, k := range s.order {
		x := s.signals[k]
		if x.n == 0 {
			p.left = append(p.left, leftover{x, "has not said anything yet"})
			continue
		}
		if s.usual(k) != x {
			p.left = append(p.left, leftover{x, "came in this format too"})
			continue
		}
		id, sure := x.group()
		name := pumpName(id)
		if groups[name] == nil {
			groups[name] = &Pump{ID: name, Sure: sure}
			order = append(order, name)
		}
		c, ok := named(x.place())
		if !ok || !x.fits(c) {
			unnamed[name] = append(unnamed[name], x)
			continue
		}
		p.left = append(p.left, groups[name].add(Channel{ID: c, seen: x})...)
	}
	slices.Sort(order)
	for _, name := range order {
		p.left = append(p.left, groups[name].infer(unnamed[name])...)
	}
	p.settle(groups, order)
	p.silent = slices.Sorted(maps.Keys(s.ununderstood))
	return p
}

// usual is the signal of a place in the format in which it came most often.
func (s *Survey) usual(k key) *signalSeen {
	var best *signalSeen
	for _, f := range config.Formats() {
		if x := s.signals[key{k.topic, f, k.selector}]; x != nil && x.n > 0 && (best == nil || x.messages > best.messages) {
			best = x
		}
	}
	return best
}

// add gives a pump a channel; where it has it already the richer signal stays, and the other is left over.
func (p *Pump) add(c Channel) []leftover {
	i := slices.IndexFunc(p.Channels, func(o Channel) bool { return o.ID == c.ID })
	if i < 0 {
		p.Channels = append(p.Channels, c)
		return nil
	}
	keep, drop := p.Channels[i], c
	if drop.seen.rate() > keep.seen.rate() {
		keep, drop = drop, keep
	}
	p.Channels[i] = keep
	return []leftover{{drop.seen, "looks like " + c.ID.String() + " too, which " + p.ID + " has already"}}
}

func (p *Pump) has(c signal.Channel) bool {
	return slices.ContainsFunc(p.Channels, func(o Channel) bool { return o.ID == c })
}

// infer finds channels by their numbers where names say nothing: a counter, edges, two pressures of which that of the air is the
// higher one.
func (p *Pump) infer(unnamed []*signalSeen) (left []leftover) {
	var analog []*signalSeen
	take := func(c signal.Channel, x *signalSeen, why string) {
		left = append(left, p.add(Channel{ID: c, seen: x, why: why})...)
	}
	for _, x := range unnamed {
		switch {
		case x.edges && !p.has(signal.StrokeEdge):
			take(signal.StrokeEdge, x, "it is a list of times")
		case x.isCounter() && !p.has(signal.StrokeCount) && len(p.Channels) > 0 && !x.isNumbering():
			take(signal.StrokeCount, x, "it is a whole number that only rises")
		case x.words && !p.has(signal.ServiceState):
			take(signal.ServiceState, x, "it is one of a few words")
		case !x.words && !x.edges && !x.isBit() && x.max > x.min && (x.step > 0 || x.array):
			analog = append(analog, x)
		default:
			left = append(left, leftover{x, "nothing in its name or its values tells what it is"})
		}
	}
	slices.SortStableFunc(analog, func(a, b *signalSeen) int { return cmp.Compare(b.max, a.max) })
	for _, x := range analog {
		switch {
		case !p.has(signal.AirInletPressure):
			take(signal.AirInletPressure, x, "it is the highest waveform of the pump, as air is")
		case !p.has(signal.DischargePressure):
			take(signal.DischargePressure, x, "it is a waveform below that of the air")
		default:
			left = append(left, leftover{x, "nothing in its name or its values tells what it is"})
		}
	}
	return left
}

// settle parts the groups into pumps and mains, which all pumps share, and guesses units.
func (p *Proposal) settle(groups map[string]*Pump, order []string) {
	var shared []Channel
	for _, name := range order {
		g := groups[name]
		if g.isPump() {
			p.Pumps = append(p.Pumps, *g)
			continue
		}
		for _, c := range g.Channels {
			if c.ID == signal.AirSupplyPressure || c.ID == signal.AmbientTemperature {
				c.shared = true
				shared = append(shared, c)
				continue
			}
			p.left = append(p.left, leftover{c.seen, "looks like " + c.ID.String() + ", but of no pump that was heard"})
		}
	}
	if len(p.Pumps) == 0 {
		for _, c := range shared {
			p.left = append(p.left, leftover{c.seen, "looks like " + c.ID.String() + ", but no pump was heard"})
		}
	}
	for i := range p.Pumps {
		g := &p.Pumps[i]
		for _, c := range shared {
			if !g.has(c.ID) {
				g.Channels = append(g.Channels, c)
			}
		}
		highest := math.Inf(-1)
		for _, c := range g.Channels {
			if strings.HasSuffix(c.ID.String(), "_pressure") && !c.shared {
				highest = max(highest, c.seen.max)
			}
		}
		for k := range g.Channels {
			c := &g.Channels[k]
			own := highest
			if c.shared {
				own = c.seen.max
			}
			c.unit = unitOf(c.seen, c.ID, own)
		}
		slices.SortFunc(g.Channels, func(a, b Channel) int { return cmp.Compare(a.ID, b.ID) })
	}
}

// isPump tells a group that has what only a pump has.
func (p *Pump) isPump() bool {
	own := []signal.Channel{signal.AirInletPressure, signal.DischargePressure, signal.StrokeCount, signal.StrokeEdge}
	return slices.ContainsFunc(own, p.has)
}

// pumpName makes a name that the configuration allows.
func pumpName(id string) string {
	name := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_', r == '.':
			return r
		}
		return '-'
	}, id)
	if name = strings.Trim(name, "-."); name == "" {
		return "pump"
	}
	return name
}
