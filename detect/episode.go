package detect

import (
	"fmt"
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
	// Away counts the epochs in a row in which the evidence was gone, Other those in which another fault was as good
	// as certain.
	Away, Other int
}

// episodes are what stands now: at most one fault of the pump, for when it is opened everything comes to light, and one
// episode per cause, in the order of their beginning.
type episodes struct {
	Fault  *episode
	Causes []episode
	// Pending is the kit, PendingCause the cause, that there has been reason to raise for a number of epochs in a row.
	Pending, PendingCause pending
}

// pending counts epochs in a row with the same reason.
type pending struct {
	What   string
	Epochs int
	Since  time.Time
}

// ripe takes the reason that an epoch gives (empty: none), and reports whether it has persisted.
func (p *pending) ripe(what string, since time.Time) bool {
	if what == "" || what != p.What {
		*p = pending{What: what, Since: since}
	}
	if what == "" {
		return false
	}
	p.Epochs++
	return p.Epochs >= diagnose.Persistence
}

const (
	// sure is how probable a kit must be before a person is told to pull it.
	sure = 0.9
	// likely is how probable a cause must be before operations are told of it.
	likely = 0.8
	// patience is how many epochs in a row the evidence must be gone before an episode is over, or stand for another
	// fault before the word is changed.
	patience = 12
	// gone is the share of the threshold below which the evidence counts as gone.
	gone = 0.25
	// step is the growth of severity that is worth telling; it takes twice as much to tell that it shrank.
	step = 0.25
)

// kitOf looks the kit up; advice for people need not be written for it at every epoch.
func kitOf(f pump.Fault) pump.Kit { return kits[f] }

var kits = func() map[pump.Fault]pump.Kit {
	m := map[pump.Fault]pump.Kit{}
	for _, f := range pump.Faults() {
		m[f] = advice.For(f, pump.SideUnknown, 0, false).Kit
	}
	return m
}()

// open lists the diagnoses that stand, the fault first.
func (e *episodes) open() []diagnose.Diagnosis {
	var out []diagnose.Diagnosis
	if e.Fault != nil {
		out = append(out, e.Fault.Told)
	}
	for _, x := range e.Causes {
		out = append(out, x.Told)
	}
	return out
}

// judge turns what the bank thinks after an epoch into findings.
func (e *episodes) judge(b *diagnose.Bank, at time.Time, o baseline.Observation) []Finding {
	v := b.Verdict(kitOf)
	return append(e.judgeFault(b, v, at, o), e.judgeCauses(b, v, at, o)...)
}

func (e *episodes) judgeFault(b *diagnose.Bank, v diagnose.Verdict, at time.Time, o baseline.Observation) []Finding {
	if v.BestFault < 0 || v.FaultScore <= gone*b.Threshold {
		e.Pending = pending{}
		if e.Fault == nil || !e.Fault.absent() {
			return nil
		}
		x := *e.Fault
		e.Fault = nil
		return []Finding{x.finding(FaultCleared, at)}
	}
	d := b.Diagnosis(v, v.BestFault, o)
	if e.Fault != nil {
		if !e.Fault.refine(d) {
			return nil
		}
		return []Finding{e.Fault.finding(FaultChanged, at)}
	}
	reason := ""
	if v.FaultScore > b.Threshold && v.KitProbability >= sure {
		reason = string(kitOf(d.Fault))
	}
	if !e.Pending.ripe(reason, d.Since) {
		return nil
	}
	d.Since = e.Pending.Since
	e.Fault = &episode{Key: key("rebuild", d.Since), Told: d}
	return []Finding{e.Fault.finding(FaultRaised, at)}
}

func (e *episodes) judgeCauses(b *diagnose.Bank, v diagnose.Verdict, at time.Time, o baseline.Observation) []Finding {
	var out []Finding
	present, reason := -1, ""
	var d diagnose.Diagnosis
	if v.BestCause >= 0 && v.CauseScore > gone*b.Threshold {
		d = b.Diagnosis(v, v.BestCause, o)
		present = slices.IndexFunc(e.Causes, func(x episode) bool { return x.Told.Cause == d.Cause })
		if present >= 0 && e.Causes[present].refine(d) {
			out = append(out, e.Causes[present].finding(CauseChanged, at))
		}
		if present < 0 && v.CauseScore > b.Threshold && d.Probability >= likely {
			reason = string(d.Cause)
		}
	}
	if e.PendingCause.ripe(reason, d.Since) {
		d.Since = e.PendingCause.Since
		present = len(e.Causes)
		e.Causes = append(e.Causes, episode{Key: key(reason, d.Since), Told: d})
		out = append(out, e.Causes[present].finding(CauseRaised, at))
	}
	var kept []episode
	for i, x := range e.Causes {
		if i != present && !isState(x.Told.Cause) && !isSignalled(x.Told.Cause) && x.absent() {
			out = append(out, x.finding(CauseCleared, at))
			continue
		}
		kept = append(kept, x)
	}
	e.Causes = kept
	return out
}

func (x *episode) finding(k Kind, at time.Time) Finding {
	d := x.Told
	return Finding{Kind: k, Time: at, Key: x.Key, Diagnosis: &d}
}

// absent counts an epoch without evidence, and reports whether there have been so many that the episode is over.
func (x *episode) absent() bool {
	x.Away++
	return x.Away >= patience
}

// refine takes a new diagnosis of a standing episode, and reports whether it says something worth telling. Another fault
// must be as good as certain for a while before the word is changed.
func (x *episode) refine(d diagnose.Diagnosis) bool {
	x.Away = 0
	d.Since = x.Told.Since
	if x.Told.Fault == pump.DiaphragmRupture && kitOf(d.Fault) == kitOf(x.Told.Fault) {
		// Who has been told to expect product in the air end is not told otherwise before the pump is open.
		d.Fault, d.Probability, d.Alternatives = x.Told.Fault, x.Told.Probability, x.Told.Alternatives
	}
	if d.Fault != x.Told.Fault {
		if d.Probability < sure {
			x.Other = 0
			return false
		}
		if x.Other++; x.Other < patience {
			return false
		}
		x.Other = 0
		x.Told = d
		return true
	}
	x.Other = 0
	if x.Told.Side == pump.SideUnknown || d.Side != x.Told.Side {
		d.Side = pump.SideUnknown // a side that was ever in doubt stays in doubt
	}
	grown := d.Severity - x.Told.Severity
	if d.Side == x.Told.Side && grown < step && grown > -2*step {
		return false
	}
	x.Told = d
	return true
}

// isState tells the causes that are seen as a state of the pump at once, and end with it.
func isState(c pump.Cause) bool { return c == pump.DryRunning || c == pump.NotStroking }

// transition follows the states that operations must know at once.
func (e *episodes) transition(t feature.Transition) []Finding {
	var out []Finding
	var kept []episode
	var now pump.Cause
	switch t.State {
	case feature.Dry:
		now = pump.DryRunning
	case feature.NotStroking:
		now = pump.NotStroking
	}
	standing := false
	for _, x := range e.Causes {
		if !isState(x.Told.Cause) || x.Told.Cause == now {
			standing = standing || x.Told.Cause == now
			kept = append(kept, x)
			continue
		}
		out = append(out, x.finding(CauseCleared, t.Time))
	}
	if now != "" && !standing {
		d := diagnose.Diagnosis{Likelihood: diagnose.Likelihood{Cause: now, Side: pump.SideUnknown, Probability: 1}, Since: t.Since}
		x := episode{Key: key(string(now), t.Since), Told: d}
		kept = append(kept, x)
		out = append(out, x.finding(CauseRaised, t.Time))
	}
	e.Causes = kept
	return out
}

// key names an episode by what it is about and when it began, so that every replay of the data gives it the same name.
func key(what string, since time.Time) string {
	return fmt.Sprintf("%s-%s", what, since.UTC().Format("20060102T150405Z"))
}
