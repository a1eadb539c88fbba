package watch

import (
	"slices"

	"diastole/agent/event"
	"diastole/model/life"
	trade "diastole/model/pump"
)

// Lives is what is believed of the lives of parts: general knowledge, sharpened by the site's own rebuilds of the same model in the same
// liquid. It is not safe for concurrent use.
type Lives struct {
	rebuilds []event.Rebuild
	running  map[livesOf][]life.Unit
	beliefs  map[livesOf]life.Belief
}

type livesOf struct {
	kit           kit
	model, liquid string
}

// NewLives learns from rebuilds of all pumps of a site.
func NewLives(rebuilds []event.Rebuild) *Lives {
	return &Lives{rebuilds: slices.Clone(rebuilds), running: map[livesOf][]life.Unit{}, beliefs: map[livesOf]life.Belief{}}
}

// Runs learns that the parts of a kit have come to an age, in strokes, in a pump that still runs.
func (l *Lives) Runs(k kit, model, liquid string, age float64) {
	if age > 0 {
		key := livesOf{k, model, liquid}
		l.running[key] = append(l.running[key], life.Unit{Life: age})
		delete(l.beliefs, key)
	}
}

// learn takes the rebuilds that the store knows in place of all.
func (l *Lives) learn(rebuilds []event.Rebuild) {
	l.rebuilds = slices.Clone(rebuilds)
	clear(l.beliefs)
}

// add learns from a rebuild; a record that is made good replaces the one that it was.
func (l *Lives) add(r event.Rebuild) {
	if i := slices.IndexFunc(l.rebuilds, func(x event.Rebuild) bool { return x.Rebuild == r.Rebuild }); i >= 0 {
		l.rebuilds[i] = r
	} else {
		l.rebuilds = append(l.rebuilds, r)
	}
	clear(l.beliefs)
}

// Belief is what is believed of the life, in strokes, of what a kit renews in pumps of a model in a liquid.
func (l *Lives) Belief(k kit, model string, in func(pump string) (liquid string), liquid string) life.Belief {
	key := livesOf{k, model, liquid}
	if b, known := l.beliefs[key]; known {
		return b
	}
	units := slices.Clone(l.running[key])
	for i := range l.rebuilds {
		if r := &l.rebuilds[i]; r.Model == model && in(r.Pump) == liquid {
			if u, ok := unitOf(r, k); ok {
				units = append(units, u)
			}
		}
	}
	b, err := life.PriorOf(k).Posterior(units)
	if err != nil { // lives that are not above 0 are left out, and priors are fixed
		panic("BUG: " + err.Error())
	}
	l.beliefs[key] = b
	return b
}

// spent are the conditions of a part that had come to the end of its life.
var spent = []trade.Condition{trade.Worn, trade.Damaged, trade.Torn, trade.Swollen, trade.Stuck}

// unitOf is what a rebuild tells of the life of a kit's parts. The kit is spent when one of its parts is: found so, or, where nobody looked,
// when a ticket asked for this kit. Parts that were renewed while they were good have lived on (censored). It reports false where no part
// of the kit was renewed or its age is not known.
func unitOf(r *event.Rebuild, k kit) (life.Unit, bool) {
	of := k.Replaces()
	u := life.Unit{}
	looked := false
	for _, part := range r.Parts {
		if !slices.Contains(of, part.Component) || !part.Replaced || part.Strokes == nil {
			continue
		}
		failed := slices.Contains(spent, part.Found)
		looked = looked || part.Found != trade.NotLookedAt
		if failed && !u.Failed || failed == u.Failed && *part.Strokes > u.Life {
			u = life.Unit{Life: *part.Strokes, Failed: failed}
		}
	}
	if !looked && r.Fault != "" && kitOf(r.Fault) == k {
		u.Failed = true
	}
	return u, u.Life > 0
}
