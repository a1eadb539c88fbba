package detect

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/detect/cycle"
	"diastole/detect/feature"
)

// beating is an hourly epoch with a mean cycle, whose inlet dips by depth in the middle of stroke B.
func beating(e feature.Epoch, depth float32) feature.Epoch {
	r := cycle.Record{Strokes: 100, ShareA: 0.5, Period: 0.6, Keep: true}
	for k := range cycle.Points {
		p := float32(4e5 + 10*(k%2))
		if k == 48 {
			p -= depth
		}
		r.Inlet.Pa = append(r.Inlet.Pa, p)
		r.Discharge.Pa = append(r.Discharge.Pa, p/2)
	}
	e.Cycle = &r
	return e
}

// TestCyclesOverBaseline learns the healthy cycle while the baseline is learned and not after it, keeps it over a restart, and
// forgets it with the baseline.
func TestCyclesOverBaseline(t *testing.T) {
	h := newHourly(t, 1, LearnSettings{For: 60 * time.Hour})
	if _, ok := h.Status().Cycles.Picture(); ok {
		t.Error("a picture of nothing")
	}
	hour := func(depth float32) []Finding { return h.next(beating(epochAt(h.at, h.rng, h.healthy()), depth)) }
	for n := 0; len(hour(1000)) == 0; n++ {
		if n > 70 {
			t.Fatal("nothing was learned")
		}
	}
	for range 5 {
		hour(30000)
	}
	hour(20000)
	p, ok := h.Status().Cycles.Picture()
	if !ok || p.Inlet.Band == nil {
		t.Fatalf("picture %v, inlet %v", ok, p.Inlet)
	}
	if got := p.Latest.Inlet.Pa[48]; got != 380000 {
		t.Errorf("the latest dip reaches %g, want that of the last hour", got)
	}
	// The dip of 1 kPa that was learned, less what it moves the mean by.
	if dip := p.Inlet.Pa[46] - p.Inlet.Pa[48]; dip < 900 || dip > 1100 {
		t.Errorf("the healthy dip is %g Pa deep, want 1000", dip)
	}
	data, err := h.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	again, err := Restore(h.settings, data)
	if err != nil {
		t.Fatal(err)
	}
	q, _ := again.Status().Cycles.Picture()
	if diff := cmp.Diff(p, q); diff != "" {
		t.Errorf("over a restart (-before +after)\n%s", diff)
	}
	h.Relearn()
	if _, ok := h.Status().Cycles.Picture(); ok {
		t.Error("the healthy cycle outlives its baseline")
	}
}
