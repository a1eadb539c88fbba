package accept

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"diastole/detect/feature"
	"diastole/model/pump"
)

// Verdict is the outcome of a stage. Where the pump is neither Good nor has a Mistake, it could not be judged.
type Verdict struct {
	Stage   Stage
	Good    bool
	Mistake Mistake
	Side    pump.Side
	// Probability is that of the mistake among all, and Alternatives the next ones.
	Probability  float64
	Alternatives []Mistake
	// Against says what the pump was compared with.
	Against string
	// Unseen are mistakes that the features at hand may not show, of a good rebuild.
	Unseen   []Mistake
	Evidence []Evidence
	why      string
}

// Evidence is one feature that is not as expected, in its own unit.
type Evidence struct {
	Feature            feature.ID
	Expected, Observed float64
	// Sigma is the deviation in standard deviations of what a good rebuild shows.
	Sigma float64
}

// judge weighs the mistakes against a good rebuild. The ratio of likelihoods has mean one on good rebuilds as the table has them,
// so that it passes 1/a on at most the share a of them (Markov's inequality).
func (t *Trial) judge() *Verdict {
	table, err := DecodeTable(tableFile)
	if err != nil {
		panic("BUG: " + err.Error()) // it is part of the program, and tests read it
	}
	good := table.Fresh
	if t.Stage == BeddedIn {
		good = table.BeddedIn
	}
	l := t.level()
	base := l.density(good, -1)
	all := table.hypotheses()
	densities := make([]float64, len(all))
	top := math.Inf(-1)
	for i, h := range all {
		densities[i] = l.density(h.shifts, -1)
		top = max(top, densities[i])
	}
	sum := 0.0
	share := map[Mistake]float64{}
	for i, d := range densities {
		p := math.Exp(d - top)
		sum += p
		share[all[i].mistake] += p
	}
	v := &Verdict{Evidence: l.evidence(good)}
	if ratio := top + math.Log(sum/float64(len(all))) - base; ratio < math.Log(2/refused) {
		v.Good, v.Unseen = true, l.unseen(all, good)
		return v
	}
	best := 0
	for i, h := range all {
		b := all[best]
		if cmp.Or(cmp.Compare(share[h.mistake], share[b.mistake]), cmp.Compare(densities[i], densities[best])) > 0 {
			best = i
		}
	}
	v.Mistake, v.Side = all[best].mistake, all[best].side
	v.Probability = share[v.Mistake] / sum
	for _, h := range all {
		if h.side == pump.SideA && h.mistake != v.Mistake && share[h.mistake] > 0.1*sum {
			v.Alternatives = append(v.Alternatives, h.mistake)
		}
	}
	slices.SortStableFunc(v.Alternatives, func(a, b Mistake) int { return cmp.Compare(share[b], share[a]) })
	return v
}

// Words is the verdict in a sentence or two.
func (v *Verdict) Words() string {
	switch {
	case v.Mistake != "":
		text := "look again: " + v.Mistake.Words()
		if v.Side == pump.SideA || v.Side == pump.SideB {
			text += fmt.Sprintf(", in stroke %s", map[pump.Side]string{pump.SideA: "A", pump.SideB: "B"}[v.Side])
		}
		said := []string{text}
		for i, m := range v.Alternatives {
			or := "or: "
			if i == 0 {
				or = "or else: "
			}
			said = append(said, or+m.Words())
		}
		return strings.Join(said, "; ")
	case v.Good:
		text := "right as new so far, compared with " + v.Against
		if v.Stage == BeddedIn {
			text = "right as new after bedding in, compared with " + v.Against
		}
		for i, m := range v.Unseen {
			text += map[bool]string{true: ". These sensors may not show it where ", false: "; where "}[i == 0] + m.Words()
		}
		return text
	}
	return "not judged: " + v.why
}
