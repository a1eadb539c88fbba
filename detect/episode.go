package detect

import (
	"fmt"
	"math"
	"slices"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/model/advice"
	"diastole/model/pump"
)

// episode is one fault or cause that stands.
type episode struct {
	Key  string
	Told diagnose.Diagnosis
	// Away counts the epochs in a row in which the evidence was gone.
	Away int
}

// episodes are what stands now: at most one fault per kit, and one episode per cause, in the order of their
// beginning.
type episodes struct {
	Faults, Causes []episode
}

const (
	// sure is how probable a kit must be before a person is told to pull it.
	sure = 0.9
	// likely is how probable a cause must be before operations are told of it.
	likely = 0.7
	// patience is how many epochs in a row the evidence must be gone before an episode is over.
	patience = 12
	// gone is the share of the threshold below which the evidence counts as gone.
	gone = 0.25
	// step is the change of severity that is worth telling.
	step = 0.25
)

func kitOf(f pump.Fault) pump.Kit { return advice.For(f, pump.SideUnknown, 0, false).Kit }

// open lists the diagnoses that stand, faults first.
func (e *episodes) open() []diagnose.Diagnosis {
	var out []diagnose.Diagnosis
	for _, list := range [][]episode{e.Faults, e.Causes} {
		for _, x := range list {
			out = append(out, x.Told)
		}
	}
	return out
}

// judge turns what the bank thinks after an epoch into findings.
func (e *episodes) judge(b *diagnose.Bank, at time.Time, o baseline.Observation) []Finding {
	v := b.Verdict(kitOf)
	var out []Finding
	present := -1
	if v.BestFault >= 0 && v.FaultScore > gone*b.Threshold {
		d := b.Diagnosis(v, v.BestFault, o)
		kit := kitOf(d.Fault)
		present = slices.IndexFunc(e.Faults, func(x episode) bool { return kitOf(x.Told.Fault) == kit })
		raise := v.FaultScore > b.Threshold && v.KitProbability >= sure && d.Epochs >= diagnose.Persistence
		switch {
		case present >= 0:
			out = append(out, e.Faults[present].update(FaultChanged, at, d)...)
		case raise:
			x := episode{Key: key(string(kit), d.Since), Told: d}
			e.Faults = append(e.Faults, x)
			present = len(e.Faults) - 1
			out = append(out, Finding{Kind: FaultRaised, Time: at, Key: x.Key, Diagnosis: &d})
		}
	}
	e.Faults, out = expire(e.Faults, present, FaultCleared, at, out)

	present = -1
	if v.BestCause >= 0 && v.CauseScore > gone*b.Threshold {
		d := b.Diagnosis(v, v.BestCause, o)
		present = slices.IndexFunc(e.Causes, func(x episode) bool { return x.Told.Cause == d.Cause })
		switch {
		case present >= 0:
			out = append(out, e.Causes[present].update(CauseChanged, at, d)...)
		case v.CauseScore > b.Threshold && d.Probability >= likely && d.Epochs >= diagnose.Persistence:
			x := episode{Key: key(string(d.Cause), d.Since), Told: d}
			e.Causes = append(e.Causes, x)
			present = len(e.Causes) - 1
			out = append(out, Finding{Kind: CauseRaised, Time: at, Key: x.Key, Diagnosis: &d})
		}
	}
	e.Causes, out = expire(e.Causes, present, CauseCleared, at, out)
	return out
}

// update takes a new diagnosis of a standing episode and reports it where it says something new.
func (x *episode) update(kind Kind, at time.Time, d diagnose.Diagnosis) []Finding {
	d.Since = x.Told.Since
	news := d.Fault != x.Told.Fault && d.Probability >= sure ||
		d.Fault == x.Told.Fault && d.Side != x.Told.Side && d.Probability >= sure ||
		math.Abs(d.Severity-x.Told.Severity) >= step
	if !news {
		return nil
	}
	x.Told = d
	return []Finding{{Kind: kind, Time: at, Key: x.Key, Diagnosis: &d}}
}

// expire counts how long the episodes other than the present one have been away, and ends those that are over.
func expire(list []episode, present int, kind Kind, at time.Time, out []Finding) ([]episode, []Finding) {
	var kept []episode
	for i, x := range list {
		if x.Away++; i == present || isState(x.Told.Cause) {
			x.Away = 0
		}
		if x.Away < patience {
			kept = append(kept, x)
			continue
		}
		d := x.Told
		out = append(out, Finding{Kind: kind, Time: at, Key: x.Key, Diagnosis: &d})
	}
	return kept, out
}

// isState tells the causes that are seen as a state of the pump at once, and end with it.
func isState(c pump.Cause) bool { return c == pump.DryRunning || c == pump.NotStroking }

// transition follows the states that operations must know at once.
func (e *episodes) transition(t feature.Transition) []Finding {
	var out []Finding
	var kept []episode
	now := map[feature.State]pump.Cause{feature.Dry: pump.DryRunning, feature.NotStroking: pump.NotStroking}[t.State]
	standing := false
	for _, x := range e.Causes {
		if !isState(x.Told.Cause) || x.Told.Cause == now {
			standing = standing || x.Told.Cause == now
			kept = append(kept, x)
			continue
		}
		d := x.Told
		out = append(out, Finding{Kind: CauseCleared, Time: t.Time, Key: x.Key, Diagnosis: &d})
	}
	if now != "" && !standing {
		d := diagnose.Diagnosis{Likelihood: diagnose.Likelihood{Cause: now, Side: pump.SideUnknown, Probability: 1}, Since: t.Since}
		x := episode{Key: key(string(now), t.Since), Told: d}
		kept = append(kept, x)
		out = append(out, Finding{Kind: CauseRaised, Time: t.Time, Key: x.Key, Diagnosis: &d})
	}
	e.Causes = kept
	return out
}

// key names an episode by what it is about and when it began, so that every replay of the data gives it the same name.
func key(what string, since time.Time) string {
	return fmt.Sprintf("%s-%s", what, since.UTC().Format("20060102T150405Z"))
}
