package stroke

import "math"

// How close what is found must come to what is expected for there to be no doubt: the shares of the expected evidence that a
// changeover has at least and that anything else has at most, and that of the expected duration within which a stroke lasts.
const (
	surely   = 0.6
	hardly   = 0.5
	punctual = 0.15
	// faint is the share of the expected evidence from which something in a long stroke may be a changeover after all.
	faint = 0.2
)

// follow goes from changeover to changeover where the known rhythm leaves no doubt: each stands out as it should, at its
// time, and nothing else does. A stroke may be longer where nothing in it could be a changeover. It leaves the edges
// in d.path and what they teach in d.Rhythm, and reports false, with nothing done, where there is a doubt.
func (d *Decoder) follow(counter Counter) bool {
	last, has := d.last()
	r := d.Rhythm
	if !r.Known || !has {
		return false
	}
	total := d.weights.total
	least := hardly * total * min(r.Height[0], r.Height[1])
	// pace is how much slower than usual the pump has become since.
	pace, doubt := 1.0, math.NaN()
	for i := range d.Cands {
		c := &d.Cands[i]
		gap := c.At - last.At
		if gap < d.MinStroke {
			continue
		}
		side := 1 - last.Side
		due := pace * r.Period[side]
		if c.Z < least {
			if c.Z > faint*total*r.Height[side] && gap > (1-2*punctual)*due {
				doubt = c.At
			}
			continue
		}
		if c.Z < surely*total*r.Height[side] || gap < (1-punctual)*due || gap > (1+punctual)*due && doubt > last.At {
			d.path = d.path[:0]
			return false
		}
		if gap <= (1+punctual)*due {
			pace += 0.5 * (gap/r.Period[side] - pace)
		}
		last = c.edge(side)
		d.path = append(d.path, last)
	}
	late := d.end() > last.At+(1+punctual)*pace*r.Period[1-last.Side] && doubt > last.At
	if late || counter.penalty(len(d.path)) > 2 {
		d.path = d.path[:0]
		return false
	}
	d.Rhythm = d.learn(r, d.path)
	return true
}
