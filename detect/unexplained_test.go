package detect

import (
	"testing"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// TestUnexplained: a lasting change that no fault and no cause of the table makes becomes one advisory with the features that
// changed, it is over when the change has gone, and a healthy pump has none.
func TestUnexplained(t *testing.T) {
	h := newHourly(t, 3, LearnSettings{For: 5 * 24 * time.Hour})
	h.until(t, BaselineLearned, 200, h.healthy)
	for range 10 * 24 {
		if found := h.hour(h.healthy()); len(found) > 0 {
			t.Fatalf("the healthy pump brings %s %+v", found[0].Kind, found[0].Diagnosis)
		}
	}
	// Strokes that scatter less while the air dips deeper and shorter: nothing in the table does that.
	odd := baseline.Vector{feature.Dispersion: -1.2, feature.Hesitation: -1.2, feature.DipDepth: 0.5, feature.DipWidth: -0.5}
	changed := h.at
	raised, _ := h.until(t, CauseRaised, 10*24, func() baseline.Vector { return odd })
	d := raised.Diagnosis
	if d.Cause != pump.UnexplainedChange || d.Fault != "" {
		t.Fatalf("told of %s%s, want %s", d.Fault, d.Cause, pump.UnexplainedChange)
	}
	if d.Probability < 0.5 || d.Statistic <= 0 {
		t.Errorf("probability %g and statistic %g of what is told", d.Probability, d.Statistic)
	}
	if off := d.Since.Sub(changed); off < -36*time.Hour || off > 24*time.Hour {
		t.Errorf("the change is dated %s off", off)
	}
	told := map[feature.ID]bool{}
	for _, e := range d.Evidence {
		told[e.Feature] = true
		if up := odd[e.Feature] > 0; odd[e.Feature] != 0 && (e.Sigma > 0) != up {
			t.Errorf("%s: %.1f sigma, the shift is %g", e.Feature, e.Sigma, odd[e.Feature])
		}
	}
	if !told[feature.DipDepth] || !told[feature.DipWidth] || told[feature.Asymmetry] {
		t.Errorf("features named: %v", told)
	}
	for range 5 * 24 { // it stands, and is told once
		if found := h.hour(odd); len(found) > 0 {
			t.Fatalf("%s while the change stands", found[0].Kind)
		}
	}
	if open := h.Status().Open; len(open) != 1 {
		t.Fatalf("%d diagnoses stand, want 1", len(open))
	}
	cleared, _ := h.until(t, CauseCleared, 30*24, h.healthy)
	if cleared.Key != raised.Key {
		t.Errorf("cleared %s, raised %s", cleared.Key, raised.Key)
	}
}

// TestUnexplainedYields: when an explanation is told, the change is no longer unexplained.
func TestUnexplainedYields(t *testing.T) {
	h := newHourly(t, 4, LearnSettings{For: 3 * 24 * time.Hour})
	h.until(t, BaselineLearned, 200, h.healthy)
	x := episode{Key: "unexplained-change-then"}
	x.Told.Cause = pump.UnexplainedChange
	h.state.Episodes.Causes = []episode{x}
	h.state.Omnibus.Last.Alarm, h.state.Omnibus.Limit = true, 1e-9 // so it stays in alarm
	h.until(t, FaultRaised, 200, h.sticking)
	for range int(chart.LookEvery / time.Hour) {
		h.hour(h.sticking())
	}
	if len(h.state.Episodes.Causes) > 0 {
		t.Errorf("still told of a change that nothing explains beside a fault: %+v", h.state.Episodes.Causes)
	}
}
