package sensor

import (
	"slices"
	"time"

	"diastole/detect/signal"
)

// gone is how many epochs of a working pump in a row must not show a fault before it is over.
const gone = 3

// Episode is one fault that stands.
type Episode struct {
	Fault Fault
	Since time.Time
	// Away counts the epochs in a row that did not show it.
	Away int
}

// Standing are the faults that stand, at most one for each channel.
type Standing struct{ Episodes []Episode }

// What became of an episode.
const (
	Opened Change = iota
	Changed
	Closed
)

// Change is what became of an episode.
type Change uint8

// Step takes the faults of an epoch and calls tell with each episode that opened, changed its kind or closed. works is true where the
// epoch could have shown a fault: strokes were counted or seen. A fault of another kind at the same channel is the same episode.
func (st *Standing) Step(start time.Time, works bool, faults []Fault, tell func(Episode, Change)) {
	kept := st.Episodes[:0]
	for _, x := range st.Episodes {
		i := slices.IndexFunc(faults, func(f Fault) bool { return f.Channel == x.Fault.Channel })
		switch {
		case i >= 0 && faults[i].Kind != x.Fault.Kind:
			x.Fault, x.Away = faults[i], 0
			tell(x, Changed)
		case i >= 0:
			x.Away = 0
		case works:
			if x.Away++; x.Away >= gone {
				tell(x, Closed)
				continue
			}
		}
		kept = append(kept, x)
	}
	st.Episodes = kept
	for _, f := range faults {
		if !st.has(f.Channel) {
			x := Episode{Fault: f, Since: start}
			st.Episodes = append(st.Episodes, x)
			tell(x, Opened)
		}
	}
}

func (st *Standing) has(c signal.Channel) bool {
	return slices.ContainsFunc(st.Episodes, func(x Episode) bool { return x.Fault.Channel == c })
}
