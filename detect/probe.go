package detect

import (
	"slices"
	"time"

	"diastole/detect/diagnose"
	"diastole/detect/signal"
	"diastole/model/pump"
)

// A probe must read wet for probeWet before anyone is told: a drop of condensate that passes is no leak. What was told stands until
// it has read dry for probeDry.
const (
	probeWet = 5 * time.Second
	probeDry = time.Minute
)

// probe follows the probe for liquid on the air side.
type probe struct {
	// Wet is what it read last, since the time Since; Told is true while an episode stands.
	Wet, Told bool
	Since     time.Time
}

// due is when the present reading has stood for long enough to be told; ok is false where there is nothing to tell.
func (p *probe) due() (at time.Time, ok bool) {
	switch {
	case p.Since.IsZero() || p.Wet == p.Told:
		return time.Time{}, false
	case p.Wet:
		return p.Since.Add(probeWet), true
	default:
		return p.Since.Add(probeDry), true
	}
}

// probed follows the readings of a chunk, if it is one of the probe: 1 is wet.
func (m *Monitor) probed(c signal.Chunk) {
	if c.Channel != signal.LiquidInAir {
		m.probeUntil(c.Start)
		return
	}
	p := &m.state.Probe
	for i, v := range c.Values {
		at := c.Start.Add(time.Duration(i) * c.Step)
		m.probeUntil(at)
		if wet := v >= 0.5; wet != p.Wet || p.Since.IsZero() {
			p.Wet, p.Since = wet, at
		}
	}
}

// probeUntil tells what the probe's readings up to a time of the data say.
func (m *Monitor) probeUntil(t time.Time) {
	p := &m.state.Probe
	at, ok := p.due()
	if !ok || at.After(t) {
		return
	}
	p.Told = p.Wet
	f, ok := m.state.Episodes.signalled(pump.LiquidInAir, p.Wet, p.Since, at)
	if !ok {
		return
	}
	f.StrokesRun = m.state.Strokes
	i := len(m.out)
	for i > 0 && m.out[i-1].Time.After(at) {
		i--
	}
	m.out = slices.Insert(m.out, i, f)
}

// signalled raises or clears a cause that a signal of its own tells, and says whether that is news.
func (e *episodes) signalled(c pump.Cause, present bool, since, at time.Time) (Finding, bool) {
	i := slices.IndexFunc(e.Causes, func(x episode) bool { return x.Told.Cause == c })
	switch {
	case present && i < 0:
		d := diagnose.Diagnosis{Likelihood: diagnose.Likelihood{Cause: c, Side: pump.SideUnknown, Probability: 1}, Since: since}
		x := episode{Key: key(string(c), since), Told: d}
		e.Causes = append(e.Causes, x)
		return x.finding(CauseRaised, at), true
	case !present && i >= 0:
		x := e.Causes[i]
		e.Causes = slices.Delete(slices.Clone(e.Causes), i, i+1)
		return x.finding(CauseCleared, at), true
	}
	return Finding{}, false
}

// isSignalled tells the causes that a signal of its own tells, and that no epoch or state of the pump ends.
func isSignalled(c pump.Cause) bool { return c == pump.LiquidInAir }
