package diagnose

import (
	"math"
	"slices"
	"testing"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// TestEveryModelHasHypotheses: each built-in pump, and one of any size between, has all faults and the causes that only
// features can show, faults first.
func TestEveryModelHasHypotheses(t *testing.T) {
	models := []pump.Model{{Name: "somebody's", StrokeVolume: 0.6e-3, MaxCycleRate: 3}, {Name: "a giant", StrokeVolume: 9e-3, MaxCycleRate: 1}}
	for _, name := range pump.GenericNames() {
		m, err := pump.Generic(name)
		if err != nil {
			t.Fatal(err)
		}
		models = append(models, m)
	}
	for _, m := range models {
		hs, err := Hypotheses(m)
		if err != nil {
			t.Errorf("%s: %v", m.Name, err)
			continue
		}
		for _, f := range pump.Faults() {
			if !slices.ContainsFunc(hs, func(h Hypothesis) bool { return h.Fault == f }) {
				t.Errorf("%s: there is no %s", m.Name, f)
			}
		}
		for _, c := range []pump.Cause{
			pump.SuctionRestricted, pump.SuctionAir, pump.ExhaustRestricted, pump.SupplyRestricted, pump.LiquidChanged,
			pump.DamperLost, pump.UnexplainedChange,
		} {
			if !slices.ContainsFunc(hs, func(h Hypothesis) bool { return h.Cause == c }) {
				t.Errorf("%s: there is no %s", m.Name, c)
			}
		}
		causes := false
		for i := range hs {
			causes = causes || !hs[i].IsFault()
			if causes && hs[i].IsFault() {
				t.Errorf("%s: the fault %s stands behind a cause", m.Name, hs[i].Fault)
			}
			if (hs[i].Fault == "") == (hs[i].Cause == "") {
				t.Errorf("%s: hypothesis %d is the fault %q and the cause %q", m.Name, i, hs[i].Fault, hs[i].Cause)
			}
		}
	}
}

func TestHypothesesWantASize(t *testing.T) {
	if _, err := Hypotheses(pump.Model{Name: "nothing"}); err == nil {
		t.Error("a pump without a stroke volume has hypotheses")
	}
}

// TestEverySideHasItsMirror: what is known of one side is known of the other, with the asymmetries turned round.
func TestEverySideHasItsMirror(t *testing.T) {
	hs := hypotheses(t)
	oneSided := 0
	for _, h := range hs {
		if h.Side != pump.SideA && h.Side != pump.SideB {
			continue
		}
		oneSided++
		if !slices.ContainsFunc(hs, func(o Hypothesis) bool { return isMirror(h, o) }) {
			t.Errorf("%s on side %s has no mirror", h.Fault, h.Side)
		}
	}
	if oneSided == 0 {
		t.Error("no hypothesis has a side")
	}
}

// isMirror tells whether one hypothesis is the other on the other side.
func isMirror(h, o Hypothesis) bool {
	if h.Fault != o.Fault || h.Side != o.Side.Other() || h.Odds != o.Odds || len(h.Effects) != len(o.Effects) {
		return false
	}
	for k, e := range h.Effects {
		e.Mean = baseline.Observation{Val: e.Mean}.Mirrored().Val
		if e != o.Effects[k] {
			return false
		}
	}
	return true
}

// TestOddsDoNotCountVariants: in how many ways a fault is modelled does not make it likelier.
func TestOddsDoNotCountVariants(t *testing.T) {
	hs := hypotheses(t)
	for _, h := range hs {
		sum := 0.0
		for _, o := range hs {
			if o.Fault == h.Fault && o.Cause == h.Cause {
				sum += o.Odds
			}
		}
		if want := odds(h.Fault, h.Cause); want <= 0 || math.Abs(sum-want) > 1e-12 {
			t.Errorf("the odds of all %s%s are %g, want %g", h.Fault, h.Cause, sum, want)
		}
	}
}

// TestDoubtOnlyWidens: no simulation is trusted to the last digit, and a bigger fault is not doubted less.
func TestDoubtOnlyWidens(t *testing.T) {
	table, err := DecodeTable(signatureFile)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range table[0].Signatures {
		for k, e := range doubted(s) {
			raw := followed(s)[k]
			if e.Mean != raw.Mean || e.Scatter != raw.Scatter {
				t.Errorf("%s%s, size %g: doubt moved the effect", s.Fault, s.Cause, e.Size)
			}
			for j := range baseline.Dim {
				if e.Spread[j] <= raw.Spread[j] || e.Spread[j] < doubt.share*math.Abs(raw.Mean[j]) {
					t.Errorf("%s%s, size %g, %s: spread %g of a mean of %g, simulated %g", s.Fault, s.Cause, e.Size, feature.ID(j),
						e.Spread[j], e.Mean[j], raw.Spread[j])
				}
			}
		}
	}
}

// TestVisible: an air leak past the spool shows in the air used and in little else, so without a flow meter it is not
// claimed before it is far beyond the size that calls for a rebuild. What nothing shows is not claimed either; only a
// change of no known kind always may be.
func TestVisible(t *testing.T) {
	var nothing, all [baseline.Dim]bool
	for j := range all {
		all[j] = true
	}
	noMeter := all
	noMeter[feature.AirPerStroke] = false
	for _, h := range hypotheses(t) {
		if got, want := h.Visible(&nothing), h.Cause == pump.UnexplainedChange; got != want {
			t.Errorf("%s%s with no feature: visible is %t", h.Fault, h.Cause, got)
		}
		if h.IsFault() && !h.Visible(&all) {
			t.Errorf("%s with every feature is not visible", h.Fault)
		}
		if h.Visible(&noMeter) && !h.Visible(&all) {
			t.Errorf("%s%s is hidden by a flow meter", h.Fault, h.Cause)
		}
		if !h.IsFault() {
			continue
		}
		h.Effects = slices.DeleteFunc(slices.Clone(h.Effects), func(e chart.Effect) bool { return e.Size > 1 })
		if got, want := h.Visible(&noMeter), h.Fault != pump.AirValveLeak; got != want {
			t.Errorf("%s, side %s, without a flow meter: visible is %t", h.Fault, h.Side, got)
		}
	}
}

// TestInvisibleIsNeverClaimed puts a fault that only a flow meter could show on a pump without one.
func TestInvisibleIsNeverClaimed(t *testing.T) {
	hs := slices.Clone(hypotheses(t))
	leak, e := find(t, hs, pump.AirValveLeak, pump.SideUnknown, 1.6)
	hs[leak] = changed(hs[leak], func(e *chart.Effect) {
		e.Mean = baseline.Vector{feature.AirPerStroke: e.Mean[feature.AirPerStroke]}
	})
	s, b := newStock(t, 1, false).take(0, hs)
	s.show(b, 40, e, func() bool {
		if p := b.Verdict(kitOf).Probability[leak]; p != 0 {
			t.Errorf("a fault that does not show has the probability %g", p)
			return true
		}
		return false
	})
	s, b = newStock(t, 1, true).take(0, hs)
	s.show(b, 40, e, never)
	if p := b.Verdict(kitOf).Probability[leak]; p == 0 {
		t.Error("with a flow meter it is not claimed either: the test shows nothing")
	}
}
