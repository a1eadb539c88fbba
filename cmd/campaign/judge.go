package main

import (
	"time"

	"diastole/detect"
	"diastole/detect/baseline"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// outcome is what a monitor made of a trial.
type outcome struct {
	tickets  []told
	advisory []told
	// worst is the largest ticket statistic over its threshold after learning.
	worst float64
	// seen is whether the features at hand can show what is wrong.
	seen bool
	// bank took the same epochs as the monitor and can be asked for its reasons; deviations are those of all its epochs.
	bank       *diagnose.Bank
	deviations []deviation
	// states counts the epochs by what the pump did.
	states [feature.NumStates]int
}

// told is one thing that was raised, and the size of what was wrong when it was.
type told struct {
	at   time.Time
	d    diagnose.Diagnosis
	size float64
	// changed is that it was said of a ticket that stood.
	changed bool
}

func (x told) kit() pump.Kit { return kitOf(x.d.Fault) }

// deviation is how far an epoch was off what was expected, in coordinates and in standard deviations.
type deviation struct {
	off, sigma baseline.Vector
	has        [baseline.Dim]bool
}

// judge runs what arrived through a monitor, and the epochs that come of it through a bank beside it that can be asked for its
// reasons.
func (t *trial) judge() error {
	set, err := t.settings()
	if err != nil {
		return err
	}
	m := detect.New(set)
	var samples []baseline.Sample
	for i, chunks := range t.Bursts {
		for _, c := range chunks {
			m.Push(c)
		}
		m.Advance(start.Add(time.Duration(i)*time.Hour + 50*time.Minute))
		for _, f := range m.Take() {
			switch f.Kind {
			case detect.EpochDone:
				samples = t.weigh(f.Epoch, samples)
			case detect.BaselineLearned:
				t.bank = diagnose.NewBank(baseline.Learn(set.Model, samples), set.Hypotheses, epochsPerYear, budget)
			case detect.FaultRaised, detect.FaultChanged:
				t.tickets = append(t.tickets, told{f.Time, *f.Diagnosis, t.Sizes[i], f.Kind == detect.FaultChanged})
			case detect.CauseRaised:
				t.advisory = append(t.advisory, told{f.Time, *f.Diagnosis, t.Sizes[i], false})
			}
		}
		if st := m.Status(); st.Threshold > 0 {
			t.worst = max(t.worst, st.Score/st.Threshold)
		}
	}
	t.Bursts = nil // they are large
	if t.bank != nil {
		t.seen = t.visible(set.Hypotheses)
	}
	return nil
}

// weigh gives an epoch to the bank, or keeps it for the bank to learn from.
func (t *trial) weigh(e *feature.Epoch, samples []baseline.Sample) []baseline.Sample {
	t.states[e.State]++
	o, ok := baseline.Observe(*e)
	switch {
	case !ok:
	case t.bank == nil:
		return append(samples, baseline.Sample{At: e.End, Obs: o})
	default:
		t.bank.Update(e.End, o)
		t.deviations = append(t.deviations, t.deviate(o))
	}
	return samples
}

const epochsPerYear = 24 * 365.25

func (t *trial) deviate(o baseline.Observation) deviation {
	h := t.bank.Healthy
	if t.bank.Filter.Swapped {
		o = o.Mirrored()
	}
	mean, _ := h.Expect(o.Op)
	sd := h.Sigma(o)
	var d deviation
	for j := range baseline.Dim {
		if d.has[j] = o.Has[j] && h.Known[j]; d.has[j] {
			d.off[j] = o.Val[j] - mean[j]
			d.sigma[j] = d.off[j] / sd[j]
		}
	}
	return d
}

// visible tells whether any hypothesis for what is wrong is weighed for these features.
func (t *trial) visible(hs []diagnose.Hypothesis) bool {
	for i := range hs {
		if t.is(&hs[i]) && t.bank.Visible[i] {
			return true
		}
	}
	return false
}

func (t *trial) is(h *diagnose.Hypothesis) bool {
	return t.kind.fault != "" && h.Fault == t.kind.fault || t.kind.cause != "" && h.Cause == t.kind.cause
}

// ticket is the first one for the right kit, if there is one; wrong tells that there was one for another kit, or without need.
func (t *trial) ticket() (right *told, wrong bool) {
	for i := range t.tickets {
		x := &t.tickets[i]
		switch {
		case x.kit() != t.kind.kit() || x.size == 0:
			wrong = true
		case right == nil:
			right = x
		}
	}
	return right, wrong
}

// good tells whether the case came out as it should.
func (t *trial) good() bool {
	right, wrong := t.ticket()
	if wrong || t.bank == nil {
		return false
	}
	if t.kind.fault == "" || !t.seen {
		return true
	}
	return right != nil && right.size <= 1
}
