package diagnose

import (
	"fmt"
	"math"
	"testing"

	"diastole/detect/chart"
	"diastole/model/pump"
)

// Epochs of each hypothesis's own effect are put on pumps that were learned. What can be told apart is told apart; what
// cannot be told brings no ticket; and whatever it is, no ticket asks for the wrong kit.

// find gives the place of a fault's first hypothesis on a side, and its effect at a size.
func find(t *testing.T, hs []Hypothesis, f pump.Fault, side pump.Side, size float64) (int, chart.Effect) {
	t.Helper()
	for i := range hs {
		for _, e := range hs[i].Effects {
			if hs[i].Fault == f && hs[i].Side == side && e.Size == size {
				return i, e
			}
		}
	}
	t.Fatalf("there is no %s, side %s, of size %g", f, side, size)
	return 0, chart.Effect{}
}

// TestFaultsBringTheirKit wants a ticket for the right kit within a hundred epochs at 95 % of the pumps together, and at
// 75 % of those with each fault (a pump that was learned in few regimes wants more to be sure); and for a wrong kit never.
func TestFaultsBringTheirKit(t *testing.T) {
	t.Parallel()
	const pumps = 20
	hs := hypotheses(t)
	plain, metered := newStock(t, pumps, false), newStock(t, pumps, true)
	right, all := 0, 0
	for _, c := range []struct {
		fault pump.Fault
		side  pump.Side
		size  float64
		pumps stock
	}{
		{pump.CheckValveLeak, pump.SideA, 0.8, plain},
		{pump.CheckValveLeak, pump.SideB, 0.8, plain},
		{pump.DiaphragmRupture, pump.SideA, 0.35, plain},
		{pump.DiaphragmRupture, pump.SideB, 0.8, plain},
		{pump.AirValveSticking, pump.SideUnknown, 0.35, plain},
		{pump.AirValveSticking, pump.SideUnknown, 0.8, plain},
		{pump.AirValveLeak, pump.SideUnknown, 0.8, metered},
		{pump.PilotValveSlow, pump.SideA, 0.35, plain},
		{pump.PilotValveSlow, pump.SideB, 0.35, plain},
	} {
		i, e := find(t, hs, c.fault, c.side, c.size)
		got := map[pump.Kit]int{}
		for n := range pumps {
			s, b := c.pumps.take(n, hs)
			var kit pump.Kit
			s.show(b, 100, e, func() bool { kit = ticket(b); return kit != "" })
			got[kit]++
		}
		want := kitOf(hs[i].Fault)
		if got[want]+got[""] < pumps || got[want] < pumps*3/4 {
			t.Errorf("%s, side %s, size %g brought tickets %v, want %s", c.fault, c.side, c.size, got, want)
		}
		right, all = right+got[want], all+pumps
	}
	if float64(right) < 0.95*float64(all) {
		t.Errorf("%d of %d pumps got their kit", right, all)
	}
}

// TestTheWordStands leaves faults standing for days: the longer the same evidence comes, the less may the diagnosis wander
// off to another kit.
func TestTheWordStands(t *testing.T) {
	t.Parallel()
	const pumps, epochs = 4, 150
	hs := hypotheses(t)
	stock := newStock(t, pumps, false)
	for _, c := range []struct {
		fault pump.Fault
		side  pump.Side
	}{
		{pump.CheckValveLeak, pump.SideA}, {pump.DiaphragmRupture, pump.SideA}, {pump.AirValveSticking, pump.SideUnknown},
		{pump.PilotValveSlow, pump.SideA},
	} {
		i, e := find(t, hs, c.fault, c.side, 0.8)
		for n := range pumps {
			s, b := stock.take(n, hs)
			s.show(b, epochs, e, func() bool {
				kit := ticket(b)
				if kit != "" && kit != kitOf(hs[i].Fault) {
					t.Errorf("pump %d, %s since %v: a ticket for %s", n, c.fault, s.at, kit)
				}
				return kit != "" && kit != kitOf(hs[i].Fault)
			})
			if v := b.Verdict(kitOf); v.BestFault < 0 || kitOf(hs[v.BestFault].Fault) != kitOf(hs[i].Fault) {
				t.Errorf("pump %d, %s: after %d epochs the best fault is another", n, c.fault, epochs)
			}
		}
	}
}

// TestNothingBringsAWrongKit puts every cause, and every fault that is small or hard to tell, on pumps: there may be no
// ticket, or one that is right.
func TestNothingBringsAWrongKit(t *testing.T) {
	t.Parallel()
	const pumps, epochs = 5, 30
	hs := hypotheses(t)
	stock := newStock(t, pumps, false)
	for i := range hs {
		h := &hs[i]
		for _, e := range h.Effects {
			plainly := h.Fault == pump.DiaphragmRupture || h.Fault == pump.PilotValveSlow && h.Side != pump.SideBoth
			if e.Size != 0.35 && e.Size != 0.8 || plainly {
				continue // what is told plainly is tried above
			}
			for n := range pumps {
				s, b := stock.take(n, hs)
				s.show(b, epochs, e, func() bool {
					kit := ticket(b)
					if kit != "" && (!h.IsFault() || kit != kitOf(h.Fault)) {
						t.Errorf("%s%s, side %s, size %g: a ticket for %s", h.Fault, h.Cause, h.Side, e.Size, kit)
						return true
					}
					return kit != ""
				})
			}
		}
	}
}

// TestHealthyPumpsBringNoTicket follows healthy pumps through new regimes.
func TestHealthyPumpsBringNoTicket(t *testing.T) {
	t.Parallel()
	const pumps, epochs = 6, 240
	hs := hypotheses(t)
	stock := newStock(t, pumps, true)
	for n := range pumps {
		s, b := stock.take(n, hs)
		hour := 0
		s.show(b, epochs, chart.Effect{}, func() bool {
			if hour++; hour%40 == 0 {
				s.regime()
			}
			if kit := ticket(b); kit != "" {
				t.Errorf("pump %d, hour %d: a ticket for %s", n, hour, kit)
			}
			return false
		})
	}
}

// TestVerdictIsADistribution: what the bank thinks always sums to one, and the kit's share is that of its faults.
func TestVerdictIsADistribution(t *testing.T) {
	t.Parallel()
	hs := hypotheses(t)
	stock := newStock(t, 1, true)
	for _, fault := range []pump.Fault{pump.CheckValveLeak, pump.AirValveLeak} {
		side := map[pump.Fault]pump.Side{pump.CheckValveLeak: pump.SideA, pump.AirValveLeak: pump.SideUnknown}[fault]
		_, e := find(t, hs, fault, side, 0.8)
		s, b := stock.take(0, hs)
		if v := b.Verdict(kitOf); v.Healthy != 1 || v.BestFault >= 0 || v.BestCause >= 0 {
			t.Errorf("before the first epoch: %+v", v)
		}
		s.show(b, 60, e, func() bool {
			v := b.Verdict(kitOf)
			sum, kit := v.Healthy, 0.0
			for i, p := range v.Probability {
				if !(p >= 0) {
					t.Errorf("hypothesis %d has the probability %g", i, p)
				}
				sum += p
				if v.BestFault >= 0 && hs[i].IsFault() && kitOf(hs[i].Fault) == kitOf(hs[v.BestFault].Fault) {
					kit += p
				}
			}
			if math.Abs(sum-1) > 1e-9 {
				t.Errorf("the probabilities sum to %.12g", sum)
			}
			if math.Abs(kit-v.KitProbability) > 1e-12 {
				t.Errorf("kit probability %g, its faults have %g", v.KitProbability, kit)
			}
			return false
		})
		if v := b.Verdict(kitOf); v.BestFault < 0 || hs[v.BestFault].Fault != fault {
			t.Errorf("after 60 epochs of %s the best fault is %d", fault, v.BestFault)
		}
	}
}

// TestScoresAreBoundedAndRecover leaves a fault standing for long, and then mends it: no score runs away, and how long
// the bank takes to see that the fault has gone does not depend on how long it stood.
func TestScoresAreBoundedAndRecover(t *testing.T) {
	t.Parallel()
	hs := hypotheses(t)
	stock := newStock(t, 3, false)
	_, e := find(t, hs, pump.AirValveSticking, pump.SideUnknown, 0.8)
	for n := range 3 {
		var took []int
		for _, stood := range []int{30, 200} {
			s, b := stock.take(n, hs)
			s.show(b, stood, e, func() bool {
				for i := range b.Tracks {
					for _, tr := range b.Tracks[i] {
						if tr.Score > headroom*b.Threshold+1e-9 {
							t.Fatalf("a score of %g, threshold %g", tr.Score, b.Threshold)
						}
					}
				}
				return false
			})
			if ticket(b) == "" {
				t.Fatalf("pump %d: no ticket after %d epochs", n, stood)
			}
			hours := 0
			s.show(b, 200, chart.Effect{}, func() bool {
				hours++
				return b.Verdict(kitOf).FaultScore < b.Threshold/4
			})
			took = append(took, hours)
		}
		if took[0] > 48 || took[1] > 48 {
			t.Errorf("pump %d: the bank saw after %v hours that the fault was gone, having stood for 30 and 200", n, took)
		}
		t.Logf("pump %d: gone after %v hours", n, took)
	}
}

// TestSides: a fault of one side is told on that side; where nothing anchors the names, or they have slipped, the side is
// unknown or the other one.
func TestSides(t *testing.T) {
	t.Parallel()
	hs := hypotheses(t)
	stock := newStock(t, 2, false)
	for n, c := range []struct {
		fault      pump.Fault
		side, want pump.Side
		free       bool
	}{
		{fault: pump.DiaphragmRupture, side: pump.SideA, want: pump.SideA},
		{fault: pump.DiaphragmRupture, side: pump.SideB, want: pump.SideB},
		{fault: pump.CheckValveLeak, side: pump.SideA, want: pump.SideA},
		{fault: pump.CheckValveLeak, side: pump.SideA, want: pump.SideUnknown, free: true},
		{fault: pump.CheckValveLeak, side: pump.SideBoth, want: pump.SideBoth},
		{fault: pump.AirValveSticking, side: pump.SideUnknown, want: pump.SideUnknown},
	} {
		t.Run(fmt.Sprint(c.fault, " ", c.side), func(t *testing.T) {
			_, e := find(t, hs, c.fault, c.side, 0.8)
			s, b := stock.take(n%2, hs)
			s.normal, s.free = true, c.free
			s.show(b, 60, e, never)
			v := b.Verdict(kitOf)
			if v.BestFault < 0 || hs[v.BestFault].Fault != c.fault {
				t.Fatalf("the best fault is %d", v.BestFault)
			}
			_, o := s.epoch(e.Mean, e.Scatter)
			if d := b.Diagnosis(v, v.BestFault, o); d.Side != c.want {
				t.Errorf("told on side %s with probability %.2f of %.2f, want %s", d.Side, v.Probability[v.BestFault], d.Probability, c.want)
			}
		})
	}
}
