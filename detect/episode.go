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
	// as certain, Doubt those that did not say the side that was told.
	Away, Other, Doubt int
}

// episodes are what stands now: at most one fault of the pump, for when it is opened everything comes to light, and one
// episode per cause, in the order of their beginning.
type episodes struct {
	Fault  *episode
	Causes []episode
	// Pending is the kit, PendingCause the cause, that there has been reason to raise for a number of epochs in a row.
	Pending, PendingCause pending
	// Unknown counts the looks in a row at which there was reason to tell of a change that nothing explains.
	Unknown int
}

// pending counts epochs in a row with the same reason.
type pending struct {
	What   string
	Epochs int
	// Since is the estimated time of the change, Begun the epoch that first gave the reason.
	Since, Begun time.Time
}

// ripe takes the reason that an epoch gives (empty: none), and reports whether it has persisted, and for a time.
func (p *pending) ripe(what string, since, at time.Time, wait time.Duration) bool {
	if what == "" || what != p.What {
		*p = pending{What: what, Since: since, Begun: at}
	}
	if what == "" {
		return false
	}
	p.Epochs++
	return p.Epochs >= diagnose.Persistence && at.Sub(p.Begun) >= wait
}

// passes is how long what may pass by itself is waited for: a lump on a seat, a header that another user pulls down. Wear that is
// seen growing over days loses nothing by it. A diaphragm does not heal.
func passes(f pump.Fault) time.Duration {
	if f == pump.DiaphragmRupture {
		return 0
	}
	return 3 * time.Hour
}

const (
	// sure is how probable a kit must be before a person is told to pull it.
	sure = 0.9
	// likely is how probable a cause must be before operations are told of it.
	likely = 0.8
	// patience is how many epochs in a row the evidence must be gone before an episode is over, or stand for another
	// fault before the word is changed.
	patience = 12
	// doubtful is how many epochs in a row must not say the side that was told before it is taken back: one epoch without the
	// counter says nothing of sides.
	doubtful = 5
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
	if x := e.Fault; x != nil {
		kit := kitOf(x.Told.Fault)
		if !b.Supports(v, func(h *diagnose.Hypothesis) bool { return h.IsFault() && kitOf(h.Fault) == kit }) {
			if !x.absent() {
				return nil
			}
			e.Fault = nil
			return []Finding{x.finding(FaultCleared, at)}
		}
		x.Away = 0
		if !x.refine(b.Diagnosis(v, v.BestFault, o)) {
			return nil
		}
		return []Finding{x.finding(FaultChanged, at)}
	}
	reason := ""
	var d diagnose.Diagnosis
	if v.BestFault >= 0 && v.FaultScore > b.Threshold && v.KitProbability >= sure {
		d = b.Diagnosis(v, v.BestFault, o)
		reason = string(kitOf(d.Fault))
	}
	if !e.Pending.ripe(reason, d.Since, at, passes(d.Fault)) {
		return nil
	}
	d.Since = e.Pending.Since
	e.Fault = &episode{Key: key("rebuild", d.Since), Told: d}
	e.Pending = pending{}
	return []Finding{e.Fault.finding(FaultRaised, at)}
}

func (e *episodes) judgeCauses(b *diagnose.Bank, v diagnose.Verdict, at time.Time, o baseline.Observation) []Finding {
	var out []Finding
	var kept []episode
	for _, x := range e.Causes {
		cause := x.Told.Cause
		switch {
		case isState(cause) || isSignalled(cause) || cause == pump.UnexplainedChange: // these end otherwise
		case !b.Supports(v, func(h *diagnose.Hypothesis) bool { return !h.IsFault() && h.Cause == cause }):
			if x.absent() {
				out = append(out, x.finding(CauseCleared, at))
				continue
			}
		default:
			x.Away = 0
			if d := b.Diagnosis(v, v.BestCause, o); d.Cause == cause && x.refine(d) {
				out = append(out, x.finding(CauseChanged, at))
			}
		}
		kept = append(kept, x)
	}
	e.Causes = kept
	reason := ""
	var d diagnose.Diagnosis
	if v.BestCause >= 0 && v.CauseScore > b.CauseThreshold {
		d = b.Diagnosis(v, v.BestCause, o)
		stands := slices.ContainsFunc(kept, func(x episode) bool { return x.Told.Cause == d.Cause })
		if !stands && d.Cause != pump.UnexplainedChange && d.Probability >= likely {
			reason = string(d.Cause)
		}
	}
	if e.PendingCause.ripe(reason, d.Since, at, 0) {
		d.Since = e.PendingCause.Since
		x := episode{Key: key(reason, d.Since), Told: d}
		e.Causes = append(e.Causes, x)
		e.PendingCause = pending{}
		out = append(out, x.finding(CauseRaised, at))
	}
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
	d.Since = x.Told.Since
	if x.Told.Fault == pump.DiaphragmRupture && d.Fault != x.Told.Fault && kitOf(d.Fault) == kitOf(x.Told.Fault) {
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
	if d.Side == x.Told.Side {
		x.Doubt = 0
	} else if x.Doubt++; x.Doubt >= doubtful {
		d.Side = pump.SideUnknown // and stays so
	} else {
		d.Side = x.Told.Side
	}
	grown := min(1, d.Severity) - min(1, x.Told.Severity)
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
