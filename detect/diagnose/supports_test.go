package diagnose

import (
	"testing"

	"diastole/detect/chart"
	"diastole/model/pump"
)

// TestSupports: what was told stands while the present level speaks for it, and neither when the pump is sound again nor when
// something else explains it better by the margin.
func TestSupports(t *testing.T) {
	hs := hypotheses(t)
	is := func(c pump.Cause) func(*Hypothesis) bool { return func(h *Hypothesis) bool { return h.Cause == c } }
	var clogged chart.Effect
	for i := range hs {
		if hs[i].Cause == pump.SuctionRestricted {
			clogged = hs[i].Effects[len(hs[i].Effects)-1]
		}
	}
	stock := newStock(t, 3, false)
	for n := range 3 {
		s, b := stock.take(n, hs)
		s.show(b, 60, clogged, func() bool { return false })
		v := b.Verdict(kitOf)
		if !b.Supports(v, is(pump.SuctionRestricted)) {
			t.Errorf("pump %d: nothing speaks for the clogged strainer", n)
		}
		if b.Supports(v, func(h *Hypothesis) bool { return h.Fault == pump.DiaphragmRupture }) {
			t.Errorf("pump %d: a clogged strainer speaks for a rupture", n)
		}
		s.show(b, 60, chart.Effect{}, func() bool { return false })
		if b.Supports(b.Verdict(kitOf), is(pump.SuctionRestricted)) {
			t.Errorf("pump %d: the strainer is clean, and still speaks for a clogged one", n)
		}
	}
}
