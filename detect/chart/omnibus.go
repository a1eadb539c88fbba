package chart

import (
	"math"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart/runlength"
)

// Omnibus is a multivariate EWMA of all deviations from the healthy pump (Lowry, Woodall, Champ and Rigdon 1992,
// Technometrics 34:46). It finds a lasting change of any direction, of which no explanation need be known.
//
// What the chart's covariance is on a healthy pump is not that of independent epochs: a regime's offset lasts, and the
// noise of an epoch is correlated with that of the epoch before and among the features. The covariance is therefore carried along exactly
// as the average itself is, so that whatever the sequence of epochs and pauses was, T2 of a healthy pump is chi-squared at
// each look. Its fields are exported to be stored.
type Omnibus struct {
	// Limit is the T2 that the budget asks for.
	Limit float64
	// Carry is the correlation of an epoch's noise with that of the epoch before, Among that of the features' noise within an epoch.
	Carry baseline.Vector
	Among [dim][dim]float64
	// Widen is by how much the variance of the noise is taken larger than it was estimated, Least is what the variance of a regime's
	// offset is at least.
	Widen float64
	Least baseline.Vector

	// Level is the average, in coordinates.
	Level baseline.Vector
	// OffsetVar and NoiseVar are the two parts of its variance on a healthy pump.
	OffsetVar, NoiseVar baseline.Vector
	// Regime is the variance of the regime's offset, WithRegime its covariance with the average, WithNoise that of the
	// last epoch's noise with the average.
	Regime, WithRegime, WithNoise baseline.Vector

	// Beyond is by how much the last epoch lay off the average, where that was farther than one epoch may pull.
	Beyond baseline.Vector
	// At is the time of the last epoch.
	At time.Time
	// Last is the last look, Quiet the last one at which nothing was conspicuous.
	Last  Look
	Quiet time.Time
	// Has are the features of the last look.
	Has [dim]bool
}

// Look is the state of an omnibus chart at one time.
type Look struct {
	At time.Time
	// T2 is Hotelling's statistic of the average of so many Features, Share what each feature contributes: the shares of those that were seen
	// add up to T2, a share may be negative.
	T2       float64
	Features int
	Share    baseline.Vector
	// Sigma is the average in standard deviations of a healthy pump's average.
	Sigma baseline.Vector
	// Alarm tells that a change stands: T2 has exceeded the limit and has not yet fallen below half of it.
	Alarm bool
}

const (
	// memory is the time constant of the average: long enough that several regimes count, short enough for a change to be told
	// within days.
	memory = 72 * time.Hour
	// LookEvery is how long the chart waits between two looks, at least: a small part of its memory.
	LookEvery = 4 * time.Hour
	// most is the weight that one epoch may have after a long pause.
	most = 0.2
	// clip bounds how far an epoch may pull by itself, in standard deviations of an epoch: heavy tails move the average no more
	// than normal ones do.
	clip = 3.0
	// release is the share of the limit below which an alarm ends.
	release = 0.5
)

// NewOmnibus starts where learning ended. usual is the healthy pump of the model before anything was learned: a stretch that saw few
// regimes does not tell that this pump's offsets are smaller than usual. The pump brings epochsPerYear epochs a year, and budget is how many
// false alarms the chart may give in a year.
func NewOmnibus(h, usual *baseline.Healthy, samples []baseline.Sample, epochsPerYear, budget float64) *Omnibus {
	o := &Omnibus{Level: h.Offset, At: h.At, Quiet: h.At}
	_, regime := h.Expect(h.Last)
	for j := range dim {
		o.Least[j] = usual.Coef[j].Spread * usual.Coef[j].Spread
		regime[j] = max(regime[j], o.Least[j])
	}
	o.OffsetVar, o.Regime, o.WithRegime = regime, regime, regime
	o.Last.At = h.At
	known := 0
	for j := range dim {
		if h.Known[j] {
			known++
		}
	}
	o.Carry, o.Among, o.Widen = noiseOf(h, samples)
	o.Limit = OmnibusLimit(known, epochsPerYear, budget)
	return o
}

// OmnibusLimit is the T2 of p features that a healthy pump, looked at as often as epochsPerYear allows, exceeds at most budget
// times a year: that of a multivariate EWMA of independent observations with the same memory. The averages of the omnibus
// chart are correlated from look to look at least as much, and so exceed it more seldom. Without features it is infinite.
func OmnibusLimit(p int, epochsPerYear, budget float64) float64 {
	if p < 1 {
		return math.Inf(1)
	}
	const year = 365.25 * 24 * time.Hour
	every := max(LookEvery, time.Duration(float64(year)/epochsPerYear))
	looks := float64(year) / float64(every)
	return runlength.MEWMALimit(p, weightAfter(every), max(2, looks/budget))
}

// weightAfter is the weight of an epoch that ends dt after the one before.
func weightAfter(dt time.Duration) float64 {
	return min(most, -math.Expm1(-max(0, dt.Seconds())/memory.Seconds()))
}

// Update takes an epoch that ended at the given time. mirrored tells that A and B are named the other
// way round than when the pump was learned. It reports whether the chart was looked at with this epoch.
func (o *Omnibus) Update(at time.Time, m *Measurement, mirrored bool) (looked bool) {
	dt := at.Sub(o.At)
	// An operating point that wanders does not renew the offset of its regime, and a new regime may be near the old one: only
	// time is taken to forget.
	keep, w := baseline.Keep(baseline.Op{}, baseline.Op{}, dt), weightAfter(dt)
	o.At = at
	dev := &m.Dev
	if mirrored {
		dev = &m.Mirrored
	}
	v, kept := 1-w, keep*keep
	for j := range dim {
		offset := max(m.OffsetVar[j], o.Least[j])
		regime := offset + kept*(o.Regime[j]-offset)
		o.Regime[j] = regime
		// Covariances of the average with what comes now of the offset and of the noise.
		withRegime, withNoise := keep*o.WithRegime[j], o.Carry[j]*o.WithNoise[j]
		if !m.Has[j] {
			o.WithRegime[j], o.WithNoise[j] = withRegime, withNoise
			continue
		}
		noise := m.Var[j] * o.Widen
		o.OffsetVar[j] = v*(v*o.OffsetVar[j]+2*w*withRegime) + w*w*regime
		o.NoiseVar[j] = v*(v*o.NoiseVar[j]+2*w*withNoise) + w*w*noise
		o.WithRegime[j] = v*withRegime + w*regime
		o.WithNoise[j] = v*withNoise + w*noise
		pull := dev[j] - o.Level[j]
		if limit := clip * clip * (regime + noise); pull*pull > limit {
			pull = o.drawnIn(j, pull, math.Sqrt(limit))
		} else {
			o.Beyond[j] = 0
		}
		o.Level[j] += w * pull
	}
	if at.Sub(o.Last.At) < LookEvery {
		return false
	}
	o.look(at, &m.Has)
	return true
}

// drawnIn bounds a pull of feature j that lies beyond a limit by the limit, or by the pull of the epoch before where that lay beyond it on
// the same side: a wild epoch is nearly always alone, a change is not.
func (o *Omnibus) drawnIn(j int, pull, limit float64) float64 {
	if before := o.Beyond[j]; before*pull > 0 {
		limit = max(limit, math.Abs(before))
	}
	o.Beyond[j] = pull
	return math.Copysign(min(math.Abs(pull), limit), pull)
}

// look forms T2 over the features at hand.
func (o *Omnibus) look(at time.Time, has *[dim]bool) {
	l, _ := o.against(has, &Effect{})
	l.At, l.Alarm = at, o.Last.Alarm
	switch {
	case l.T2 > o.Limit:
		l.Alarm = true
	case l.T2 < release*o.Limit:
		l.Alarm = false
	}
	if l.T2 <= float64(l.Features) { // its mean on a healthy pump
		o.Quiet = at
	}
	o.Last, o.Has = l, *has
}

// Fit is how well an effect accounts for the average at the last look: whether the chart of a pump that has it would be at rest, and
// the log density of the average under it, by which effects are compared.
func (o *Omnibus) Fit(e *Effect) (atRest bool, density float64) {
	l, logDet := o.against(&o.Has, e)
	return l.T2 < release*o.Limit, -(l.T2 + logDet + float64(l.Features)*math.Log(2*math.Pi)) / 2
}

// against forms T2 of the average about what an effect makes of it, and the log determinant of the covariance. The covariance is that of independent offsets and spreads, and of
// correlated noise.
func (o *Omnibus) against(has *[dim]bool, e *Effect) (l Look, logDet float64) {
	var chol [dim][dim]float64
	var use [dim]int
	for j := range dim {
		if has[j] && o.OffsetVar[j]+o.NoiseVar[j] > 0 {
			use[l.Features] = j
			l.Features++
		}
	}
	n := l.Features
	var off, y [dim]float64
	det := 1.0
	for a := range n {
		i := use[a]
		off[a] = o.Level[i] - e.Mean[i]
		for b := range a + 1 {
			k := use[b]
			s := o.Among[i][k] * math.Sqrt(o.NoiseVar[i]*o.NoiseVar[k])
			if a == b {
				s = o.NoiseVar[i] + o.OffsetVar[i] + e.Spread[i]*e.Spread[i]
				l.Sigma[i] = off[a] / math.Sqrt(s)
			}
			for c := range b {
				s -= chol[a][c] * chol[b][c]
			}
			if a == b {
				chol[a][a] = math.Sqrt(s)
				det *= s
			} else {
				chol[a][b] = s / chol[b][b]
			}
		}
		y[a] = off[a]
		for c := range a {
			y[a] -= chol[a][c] * y[c]
		}
		y[a] /= chol[a][a]
		l.T2 += y[a] * y[a]
	}
	for a := n - 1; a >= 0; a-- { // back substitution: what each feature's deviation is multiplied by
		for c := a + 1; c < n; c++ {
			y[a] -= chol[c][a] * y[c]
		}
		y[a] /= chol[a][a]
		l.Share[use[a]] = off[a] * y[a]
	}
	return l, math.Log(det)
}
