package accept

import (
	"fmt"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// Stage is when a rebuild is looked at.
type Stage string

// The stages. Over means that no further look is to come.
const (
	First    Stage = "first"
	Waiting  Stage = "waiting"
	BeddedIn Stage = "bedded-in"
	Over     Stage = "over"
)

const (
	// enough is how many epochs of running make a verdict, after the first one, in which the pump primes.
	enough = 6
	// longest is the running time after which no verdict is no longer waited for.
	longest = time.Hour
	// standing is how long a pump may stand with air on before it is called so.
	standing = time.Minute
	// beddedIn is after how many strokes new seals and diaphragms are run in: 10 000 to 50 000 cycles (common practice).
	beddedIn = 100_000
	// refused is the share of good rebuilds that may be called wrong, over both looks.
	refused = 0.02
)

// Trial is the acceptance of one rebuild, fed with the epochs since. Its fields are exported to be stored.
type Trial struct {
	// Healthy is what the pump is compared with; Own tells that it is this pump's own best, else what pumps of the model do.
	Healthy *baseline.Healthy
	Own     bool
	Stage   Stage
	// Wrong tells that a mistake was called.
	Wrong bool
	// Running and Stood are the times seen in this stage, Strokes those since the rebuild, Skipped the epochs left out.
	Running, Stood time.Duration
	Strokes        float64
	Skipped        int
	Seen           []Seen
}

// Seen is one epoch of running: deviations from the healthy expectation as the strokes are named, and with A and B exchanged,
// the variance of their noise, that of the regime, and what a feature was and was expected to be.
type Seen struct {
	Dev, Mirrored, Noise, Regime baseline.Vector
	Expected, Observed           baseline.Vector
	Has                          [baseline.Dim]bool
	SignFree                     bool
	// Head is where it ran, see baseline.Op.
	Head float64
}

// New begins a trial against the best that the pump has been; nil where that is not known, and then against what pumps of the
// model do.
func New(m pump.Model, best *baseline.Healthy) *Trial {
	t := &Trial{Healthy: best, Own: best != nil, Stage: First}
	if best == nil {
		t.Healthy = baseline.Generic(m)
	}
	return t
}

// Add takes an epoch since the rebuild with its observation, ok where it can be judged. It gives a verdict where a stage
// ends with the epoch, else nil.
func (t *Trial) Add(e *feature.Epoch, o baseline.Observation, ok bool) *Verdict {
	t.Strokes += float64(e.Strokes)
	if t.Stage == Waiting && t.Strokes >= beddedIn {
		t.Stage, t.Running, t.Stood, t.Seen = BeddedIn, 0, 0, nil
	}
	if t.Stage != First && t.Stage != BeddedIn {
		return nil
	}
	switch length := e.End.Sub(e.Start); e.State {
	case feature.NotStroking:
		if t.Stood += length; t.Stage == First && t.Stood >= standing {
			return t.end(&Verdict{Mistake: DoesNotStroke, Side: pump.SideUnknown, Probability: 1})
		}
		return nil
	case feature.Running:
		t.Stood = 0
		t.Running += length
	default:
		return nil
	}
	if ok && t.Stage == First && t.Skipped == 0 {
		t.Skipped++
		return nil
	}
	if ok {
		t.see(o)
	}
	switch {
	case len(t.Seen) >= enough:
		return t.end(t.judge())
	case t.Running >= longest:
		return t.end(&Verdict{why: fmt.Sprintf("only %d of %d minutes of running could be judged: a pressure is missing, or strokes were not found", len(t.Seen), enough)})
	}
	return nil
}

func (t *Trial) see(o baseline.Observation) {
	mean, regime := t.Healthy.Expect(o.Op)
	m := o.Mirrored()
	s := Seen{Noise: t.Healthy.NoiseVar(o), Regime: regime, Expected: mean, Observed: o.Val, SignFree: o.SignFree, Head: o.Op.Head}
	for j := range baseline.Dim {
		s.Dev[j], s.Mirrored[j] = o.Val[j]-mean[j], m.Val[j]-mean[j]
		s.Has[j] = o.Has[j] && t.Healthy.Known[j]
	}
	t.Seen = append(t.Seen, s)
}

// end closes the stage with a verdict.
func (t *Trial) end(v *Verdict) *Verdict {
	v.Stage = t.Stage
	v.Against = "what pumps of this model do: this pump's own best is not known"
	if t.Own {
		v.Against = "the best that this pump has been"
	}
	t.Seen = nil
	switch {
	case v.Mistake != "":
		t.Stage, t.Wrong = Over, true
	case v.Good && t.Stage == First:
		t.Stage = Waiting
	default:
		t.Stage = Over
	}
	return v
}
