package detect

import (
	"fmt"
	"math"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
)

// learning collects the epochs of the learning stretch.
type learning struct {
	From, To time.Time
	Samples  samples
	// Every is the stride with which epochs are kept, so that a long stretch of short epochs stays small.
	Every, Seen    int
	Running        time.Duration
	Strokes        float64
	Stalled        bool
	Stalls         diagnose.Stalls
	Inlet, Dischrg span
}

// maxSamples bounds the epochs kept, and with them the state of a pump that learns; more would sharpen the fit little, for it
// hangs on how many regimes were seen.
const maxSamples = 256

// span is the range of a quantity.
type span struct {
	Min, Max float64
	Set      bool
}

func (s *span) add(x float64) {
	if !s.Set {
		*s = span{x, x, true}
		return
	}
	s.Min, s.Max = min(s.Min, x), max(s.Max, x)
}

// add takes one epoch, and reports whether the stretch is complete with it.
func (l *learning) add(set LearnSettings, e *feature.Epoch, o baseline.Observation, judged bool) bool {
	if l.From.IsZero() {
		l.From, l.Every = e.Start, 1
	}
	l.To = e.End
	l.Stalled = l.Stalled || e.State == feature.Stalled
	if judged && !excluded(set.Exclude, e.Start) {
		l.Running += e.End.Sub(e.Start)
		l.Strokes += float64(e.Strokes)
		l.Inlet.add(e.Inlet.V)
		l.Dischrg.add(e.Discharge.V)
		if l.Seen%l.Every == 0 {
			l.Samples.add(e.End, o)
		}
		l.Seen++
		if len(l.Samples) >= maxSamples {
			half := l.Samples[:0]
			for i := 0; i < len(l.Samples); i += 2 {
				half = append(half, l.Samples[i])
			}
			l.Samples, l.Every = half, 2*l.Every
		}
	}
	return l.progress(set) >= 1 && len(l.Samples) >= minEpochs
}

// minEpochs is the least that a healthy pump is learned from, however short the stretch that was asked for.
const minEpochs = 20

func excluded(stretches []Stretch, t time.Time) bool {
	for _, s := range stretches {
		if s.Contains(t) {
			return true
		}
	}
	return false
}

// progress is how far the stretch is, 0 to 1, by the conditions that are set: the first that is met ends it.
func (l *learning) progress(set LearnSettings) float64 {
	p := 0.0
	if set.For > 0 {
		p = max(p, l.To.Sub(l.From).Hours()/set.For.Hours())
	}
	if set.Running > 0 {
		p = max(p, l.Running.Hours()/set.Running.Hours())
	}
	if set.Strokes > 0 {
		p = max(p, l.Strokes/set.Strokes)
	}
	return min(p, 1)
}

// epochsPerYear is how many epochs a year brings at the pace of the learning stretch.
func (l *learning) epochsPerYear() float64 {
	const year = 365.25 * 24
	return float64(l.Seen) * year / max(l.To.Sub(l.From).Hours(), 1e-3)
}

func (l *learning) summary(asFound bool) *BaselineSummary {
	s := &BaselineSummary{
		From: l.From, To: l.To, Epochs: l.Seen, AsFound: asFound,
		InletMin: l.Inlet.Min, InletMax: l.Inlet.Max,
		DischargeMin: l.Dischrg.Min, DischargeMax: l.Dischrg.Max,
	}
	const little = 0.05 // a range of less than a twentieth teaches no slope
	if math.Abs(l.Inlet.Max-l.Inlet.Min) < little*l.Inlet.Max {
		s.Lacks = append(s.Lacks, fmt.Sprintf("only one air pressure was seen (%.1f to %.1f bar)", l.Inlet.Min/1e5, l.Inlet.Max/1e5))
	}
	if math.Abs(l.Dischrg.Max-l.Dischrg.Min) < little*l.Inlet.Max {
		s.Lacks = append(s.Lacks, fmt.Sprintf("only one discharge pressure was seen (%.1f to %.1f bar)", l.Dischrg.Min/1e5, l.Dischrg.Max/1e5))
	}
	if !l.Stalled {
		s.Lacks = append(s.Lacks, "no stall was seen")
	}
	return s
}
