package detect

import (
	"testing"
	"time"

	"diastole/detect/diagnose"
	"diastole/model/pump"
)

// TestWhatPassesIsWaitedFor: a reason for a ticket must stand for its time and for several epochs, without a break; a torn diaphragm
// waits for the epochs only.
func TestWhatPassesIsWaitedFor(t *testing.T) {
	raisedAfter := func(f pump.Fault, every time.Duration) time.Duration {
		var p pending
		for at := begin; ; at = at.Add(every) {
			if p.ripe("kit", begin, at, passes(f)) {
				return at.Sub(begin)
			}
		}
	}
	if got := raisedAfter(pump.CheckValveLeak, time.Minute); got != 3*time.Hour {
		t.Errorf("a leak seen every minute is told after %s", got)
	}
	if got := raisedAfter(pump.CheckValveLeak, 5*time.Hour); got != 5*time.Hour {
		t.Errorf("a leak seen every five hours is told after %s", got)
	}
	if got, want := raisedAfter(pump.DiaphragmRupture, time.Minute), time.Minute*(diagnose.Persistence-1); got != want {
		t.Errorf("a rupture seen every minute is told after %s, want %s", got, want)
	}
	var p pending
	wait := passes(pump.CheckValveLeak)
	p.ripe("kit", begin, begin, wait)
	p.ripe("", begin, begin.Add(time.Hour), wait)
	for h := 2; h < 5; h++ {
		if p.ripe("kit", begin, begin.Add(time.Duration(h)*time.Hour), wait) {
			t.Errorf("a reason that broke off after an hour was ripe in hour %d", h)
		}
	}
	if !p.ripe("kit", begin, begin.Add(5*time.Hour), wait) {
		t.Error("a reason that stood for three hours is not ripe")
	}
}
