package detect

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// TestFaultEpisode follows a ticket through its life: raised after a few epochs and not at the first, cleared after patience
// without evidence and not at the first, under one name.
func TestFaultEpisode(t *testing.T) {
	h := newHourly(t, 1, LearnSettings{For: 60 * time.Hour})
	h.until(t, BaselineLearned, 70, h.healthy)
	for range 30 {
		if found := h.hour(h.healthy()); len(found) > 0 {
			t.Fatalf("a healthy pump: %v", found)
		}
	}
	raised, took := h.until(t, FaultRaised, 10, h.sticking)
	if took < diagnose.Persistence || raised.Diagnosis.Fault != pump.AirValveSticking {
		t.Errorf("%s raised after %d epochs", raised.Diagnosis.Fault, took)
	}
	if open := h.Status().Open; len(open) == 0 || open[0].Fault != pump.AirValveSticking {
		t.Errorf("what stands: %v", open)
	}
	for range 20 {
		for _, f := range h.hour(h.sticking()) {
			if f.Kind != FaultChanged || f.Key != raised.Key {
				t.Errorf("while it stands: %s %s", f.Kind, f.Key)
			}
		}
	}
	cleared, took := h.until(t, FaultCleared, 60, h.healthy, FaultChanged)
	if took < patience || cleared.Key != raised.Key {
		t.Errorf("%s cleared after %d epochs, %s was raised", cleared.Key, took, raised.Key)
	}
	if open := h.Status().Open; len(open) > 0 {
		t.Errorf("what stands: %v", open)
	}
}

// TestPassingLumpIsNoTicket: what disturbs one or two epochs and passes brings no ticket, then or later.
func TestPassingLumpIsNoTicket(t *testing.T) {
	for seed := range uint64(10) {
		lump := 1 + int(seed)%2
		h := newHourly(t, seed, LearnSettings{For: 60 * time.Hour})
		h.until(t, BaselineLearned, 70, h.healthy)
		for n := range 40 {
			shift := h.healthy()
			if n < lump {
				shift = h.sticking()
			}
			for _, f := range h.hour(shift) {
				if f.Kind == FaultRaised {
					t.Errorf("%d disturbed epochs: %s was raised in hour %d", lump, f.Diagnosis.Fault, n+1)
				}
			}
		}
	}
}

func told(f pump.Fault, side pump.Side, severity, probability float64) diagnose.Diagnosis {
	return diagnose.Diagnosis{
		Likelihood: diagnose.Likelihood{Fault: f, Side: side, Probability: probability}, Severity: severity, Since: begin,
	}
}

// TestSideInDoubtStaysInDoubt: a technician who was told a side is told "side unknown" when epoch after epoch says otherwise,
// not for one that does; and who was told "side unknown" is not told a side later.
func TestSideInDoubtStaysInDoubt(t *testing.T) {
	x := episode{Told: told(pump.CheckValveLeak, pump.SideA, 0.3, 1)}
	says := func(side pump.Side, epochs int) (news bool) {
		for range epochs {
			news = x.refine(told(pump.CheckValveLeak, side, 0.3, 1)) || news
		}
		return news
	}
	for i, c := range []struct {
		side   pump.Side
		epochs int
		want   pump.Side
		news   bool
	}{
		{pump.SideA, 20, pump.SideA, false},
		{pump.SideUnknown, doubtful - 1, pump.SideA, false},
		{pump.SideA, 1, pump.SideA, false},
		{pump.SideB, doubtful - 1, pump.SideA, false},
		{pump.SideB, 1, pump.SideUnknown, true},
		{pump.SideB, 20, pump.SideUnknown, false},
		{pump.SideA, 20, pump.SideUnknown, false},
	} {
		if got := says(c.side, c.epochs); got != c.news || x.Told.Side != c.want {
			t.Errorf("step %d, %d epochs on side %s: news %t, told side %s, want %s", i, c.epochs, c.side, got, x.Told.Side, c.want)
		}
	}
}

// TestAnotherFaultNeedsPatience: the word is changed only when another fault has been as good as certain for long, without
// a break.
func TestAnotherFaultNeedsPatience(t *testing.T) {
	x := episode{Told: told(pump.CheckValveLeak, pump.SideA, 0.3, 1), Key: "k"}
	other := told(pump.AirValveSticking, pump.SideUnknown, 0.5, 1)
	other.Since = begin.Add(time.Hour)
	patient := func(breakers ...diagnose.Diagnosis) {
		t.Helper()
		for range patience - 1 {
			if x.refine(other) || x.Told.Fault != pump.CheckValveLeak {
				t.Fatalf("the word was changed to %s too soon", x.Told.Fault)
			}
		}
		for _, b := range breakers {
			x.refine(b)
		}
	}
	patient(told(pump.CheckValveLeak, pump.SideA, 0.3, 1))
	patient(told(pump.AirValveSticking, pump.SideUnknown, 0.5, sure-0.01))
	patient()
	if !x.refine(other) || x.Told.Fault != pump.AirValveSticking || !x.Told.Since.Equal(begin) || x.Key != "k" {
		t.Errorf("after %d epochs: %+v", patience, x)
	}
}

// TestSeverityIsToldInSteps: what grows is told when it has grown by something, until it calls for a rebuild at once: more
// can not be done about it.
func TestSeverityIsToldInSteps(t *testing.T) {
	x := episode{Told: told(pump.CheckValveLeak, pump.SideA, 0, 1)}
	news := 0
	for s := 0.0; s < 3; s += 0.01 {
		if x.refine(told(pump.CheckValveLeak, pump.SideA, s, 1)) {
			news++
		}
	}
	if want := int(1 / step); news < want-1 || news > want {
		t.Errorf("grown from 0 to 3 it was told %d times, want %d", news, want)
	}
}

// TestStatesAreToldAtOnce: dry running and not stroking are causes from the transition on, and end with the state.
func TestStatesAreToldAtOnce(t *testing.T) {
	var e episodes
	e.Causes = []episode{{Key: "other", Told: diagnose.Diagnosis{Likelihood: diagnose.Likelihood{Cause: pump.SuctionAir}}}}
	type step struct {
		state feature.State
		want  []string
		open  int
	}
	at := begin
	key := map[feature.State]string{}
	for i, s := range []step{
		{feature.Running, nil, 1},
		{feature.Dry, []string{"cause-raised dry-running"}, 2},
		{feature.NotStroking, []string{"cause-cleared dry-running", "cause-raised not-stroking"}, 2},
		{feature.NotStroking, nil, 2},
		{feature.Running, []string{"cause-cleared not-stroking"}, 1},
		{feature.Dry, []string{"cause-raised dry-running"}, 2},
		{feature.Off, []string{"cause-cleared dry-running"}, 1},
		{feature.Stalled, nil, 1},
	} {
		at = at.Add(time.Minute)
		var got []string
		for _, f := range e.transition(feature.Transition{Time: at, State: s.state, Since: at.Add(-5 * time.Second)}) {
			got = append(got, string(f.Kind)+" "+string(f.Diagnosis.Cause))
			if !f.Time.Equal(at) {
				t.Errorf("step %d: told at %v, the data showed it at %v", i, f.Time, at)
			}
			if f.Kind == CauseRaised {
				if !f.Diagnosis.Since.Equal(at.Add(-5 * time.Second)) {
					t.Errorf("step %d: since %v", i, f.Diagnosis.Since)
				}
				if key[s.state] == f.Key {
					t.Errorf("step %d: two episodes are named %s", i, f.Key)
				}
				key[s.state] = f.Key
			}
		}
		if diff := cmp.Diff(s.want, got); diff != "" {
			t.Errorf("step %d, %s (-want +got):\n%s", i, s.state, diff)
		}
		if len(e.open()) != s.open {
			t.Errorf("step %d: %d stand, want %d", i, len(e.open()), s.open)
		}
	}
}

// TestStatesOutliveEpochs: what a transition raised is not cleared because no epoch speaks of it.
func TestStatesOutliveEpochs(t *testing.T) {
	h := newHourly(t, 1, LearnSettings{For: 60 * time.Hour})
	h.until(t, BaselineLearned, 70, h.healthy)
	h.state.Episodes.transition(feature.Transition{Time: h.at, State: feature.NotStroking, Since: h.at})
	for range 2 * patience {
		if found := h.hour(h.healthy()); len(found) > 0 {
			t.Fatalf("%s", found[0].Kind)
		}
	}
	if open := h.Status().Open; len(open) != 1 || open[0].Cause != pump.NotStroking {
		t.Errorf("what stands: %v", open)
	}
}
