package detect

import (
	"math"
	"testing"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/feature"
)

// TestLearningEndsAsConfigured gives epochs of a minute and 110 strokes, an hour apart. The first condition that is set
// and met ends the stretch, but never before enough was seen to learn from.
func TestLearningEndsAsConfigured(t *testing.T) {
	for name, c := range map[string]struct {
		learn LearnSettings
		hours int // at whose epoch it is learned
	}{
		"calendar time":           {LearnSettings{For: 30 * time.Hour}, 31},
		"running time":            {LearnSettings{Running: 40 * time.Minute}, 40},
		"strokes":                 {LearnSettings{Strokes: 110 * 25}, 25},
		"whichever comes first":   {LearnSettings{For: 100 * time.Hour, Running: 50 * time.Minute, Strokes: 110 * 35}, 35},
		"too short to learn from": {LearnSettings{Strokes: 1}, minEpochs},
		"an excluded stretch brings no strokes": {
			LearnSettings{Strokes: 110 * 25, Exclude: []Stretch{{begin.Add(5 * time.Hour), begin.Add(15 * time.Hour)}}}, 35,
		},
		"the calendar goes on through an excluded stretch": {
			LearnSettings{For: 40 * time.Hour, Exclude: []Stretch{{begin.Add(5 * time.Hour), begin.Add(15 * time.Hour)}}}, 41,
		},
		"with all but a few excluded it waits for enough": {
			LearnSettings{For: 10 * time.Hour, Exclude: []Stretch{{begin, begin.Add(30 * time.Hour)}}}, 30 + minEpochs,
		},
	} {
		h := newHourly(t, 1, c.learn)
		last := 0.0
		for n := range c.hours - 1 {
			if found := h.hour(h.healthy()); len(found) > 0 {
				t.Errorf("%s: %s in hour %d, want it in hour %d", name, found[0].Kind, n+1, c.hours)
			}
			if p := h.Status().Learned; p < last || p > 1 {
				t.Errorf("%s: learned %g after %g", name, p, last)
			} else {
				last = p
			}
		}
		found := h.hour(h.healthy())
		if len(found) != 1 || found[0].Kind != BaselineLearned {
			t.Errorf("%s: hour %d brought %v", name, c.hours, found)
		}
	}
}

// TestLearningSkipsWhatCannotBeJudged: a pump that stands still, or whose discharge pressure is missing, teaches nothing.
func TestLearningSkipsWhatCannotBeJudged(t *testing.T) {
	h := newHourly(t, 1, LearnSettings{Running: 30 * time.Minute})
	for range 50 {
		e := epochAt(h.at, h.rng, h.healthy())
		e.State, e.Strokes = feature.Stalled, 0
		h.next(e)
		e = epochAt(h.at, h.rng, h.healthy())
		e.Discharge.Valid = false
		h.next(e)
	}
	if p := h.Status().Learned; p != 0 {
		t.Errorf("learned %g from nothing", p)
	}
	f, n := h.until(t, BaselineLearned, 40, h.healthy)
	if n != 30 || f.Baseline.Epochs != 30 {
		t.Errorf("learned after %d hours from %d epochs", n, f.Baseline.Epochs)
	}
	for _, lack := range f.Baseline.Lacks {
		if lack == "no stall was seen" {
			t.Error("the pump stalled, and the summary says that it did not")
		}
	}
}

// TestSummarySaysWhatLacks: what the stretch did not show is said, with the pressures that it did.
func TestSummarySaysWhatLacks(t *testing.T) {
	h := newHourly(t, 1, LearnSettings{For: 30 * time.Hour, AsFound: true})
	var found []Finding
	for len(found) == 0 {
		found = h.hour(h.healthy())
	}
	s := found[0].Baseline
	if !s.AsFound || s.InletMin != 5e5 || s.InletMax != 5e5 || s.DischargeMin != 3.5e5 || s.DischargeMax != 3.5e5 || len(s.Lacks) != 3 {
		t.Errorf("one operating point, and no stall: %+v", s)
	}
	if !s.From.Equal(begin) || !s.To.Equal(found[0].Time) {
		t.Errorf("learned from %v to %v", s.From, s.To)
	}
	h = newHourly(t, 1, LearnSettings{For: 30 * time.Hour})
	found = nil
	for n := 0; len(found) == 0; n++ {
		e := epochAt(h.at, h.rng, h.healthy())
		e.Inlet.V += 0.5e5 * float64(n%3)
		e.Discharge.V += 0.5e5 * float64(n%3)
		found = h.next(e)
	}
	if s := found[0].Baseline; s.AsFound || s.InletMax != 6e5 || s.DischargeMax != 4.5e5 || len(s.Lacks) != 1 {
		t.Errorf("three operating points, and no stall: %+v", s)
	}
}

// TestLongLearningStaysSmall: a stretch of months is thinned evenly, and what a year brings is still known.
func TestLongLearningStaysSmall(t *testing.T) {
	var l learning
	set := LearnSettings{For: 10000 * time.Hour}
	h := newHourly(t, 1, set)
	for i := range 5000 {
		e := epochAt(begin.Add(time.Duration(i)*time.Hour), h.rng, h.healthy())
		o, ok := baseline.Observe(e)
		if l.add(set, &e, o, ok) {
			t.Fatalf("complete after %d of 10000 hours", i)
		}
		if len(l.Samples) >= maxSamples {
			t.Fatalf("%d samples are kept", len(l.Samples))
		}
	}
	first, last := l.Samples[0].At, l.Samples[len(l.Samples)-1].At
	if len(l.Samples) < maxSamples/4 || first.After(begin.Add(2*time.Hour)) || last.Before(begin.Add(4900*time.Hour)) {
		t.Errorf("%d samples from %v to %v", len(l.Samples), first, last)
	}
	for i := 1; i < len(l.Samples); i++ {
		if d := l.Samples[i].At.Sub(l.Samples[i-1].At); d != time.Duration(l.Every)*time.Hour {
			t.Errorf("sample %d comes %v after the one before, every %d hours are kept", i, d, l.Every)
		}
	}
	if y := l.epochsPerYear(); math.Abs(y-8766) > 10 { // hours of a Julian year
		t.Errorf("%g epochs a year", y)
	}
}
