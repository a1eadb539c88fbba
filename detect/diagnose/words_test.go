package diagnose

import (
	"math"
	"testing"

	"diastole/detect/feature"
	"diastole/model/pump"
)

// TestDiagnosisInWords checks what a ticket is written from, on a pump whose air valve sticks.
func TestDiagnosisInWords(t *testing.T) {
	hs := hypotheses(t)
	_, e := find(t, hs, pump.AirValveSticking, pump.SideUnknown, 0.8)
	s, b := newStock(t, 1, false).take(0, hs)
	began := s.at
	s.show(b, 30, e, never)
	v := b.Verdict(kitOf)
	at, o := s.epoch(e.Mean, e.Scatter)
	d := b.Diagnosis(v, v.BestFault, o)

	if d.Fault != pump.AirValveSticking || d.Cause != "" {
		t.Errorf("the diagnosis is %s%s", d.Fault, d.Cause)
	}
	if d.Statistic != v.FaultScore || d.Threshold != b.Threshold || d.Statistic <= d.Threshold {
		t.Errorf("statistic %g of %g, the verdict's is %g of %g", d.Statistic, d.Threshold, v.FaultScore, b.Threshold)
	}
	if math.Abs(d.Severity-0.8) > 0.45 {
		t.Errorf("severity %g±%g, the truth is 0.8", d.Severity, d.SeveritySE)
	}
	if !d.Since.After(began) || d.Since.After(began.Add(4*3600e9)) {
		t.Errorf("since %v, the fault came just after %v", d.Since, began)
	}
	sum, last := d.Probability+v.Healthy, 1.0
	for _, a := range d.Alternatives {
		if a.Fault == d.Fault && a.Cause == d.Cause || a.Probability > last {
			t.Errorf("the alternative %s%s with probability %g stands after %g", a.Fault, a.Cause, a.Probability, last)
		}
		sum, last = sum+a.Probability, a.Probability
	}
	if sum > 1+1e-9 {
		t.Errorf("diagnosis, alternatives and health together have the probability %g", sum)
	}
	mean, _ := b.Healthy.Expect(o.Op)
	seen := map[feature.ID]bool{}
	for i, x := range d.Evidence {
		if math.Abs(x.Sigma) < 2 || i > 0 && math.Abs(x.Sigma) > math.Abs(d.Evidence[i-1].Sigma) {
			t.Errorf("evidence %d, %s, lies %.1f standard deviations off", i, x.Feature, x.Sigma)
		}
		if (x.Observed > x.Expected) != (o.Val[x.Feature] > mean[x.Feature]) || (x.Sigma > 0) != (x.Observed > x.Expected) {
			t.Errorf("%s: observed %g, expected %g, %.1f standard deviations", x.Feature, x.Observed, x.Expected, x.Sigma)
		}
		seen[x.Feature] = true
	}
	if !seen[feature.StrokeRate] || !seen[feature.Hesitation] {
		t.Errorf("a valve that sticks is told by %v, not by slower and hesitating strokes", d.Evidence)
	}
	if at.Before(d.Since) {
		t.Errorf("the change came at %v, after the epoch at %v", d.Since, at)
	}
}
