package detect

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/detect/baseline"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/signal"
	"diastole/model/pump"
)

var serviceStart = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func says(c signal.Channel, after time.Duration, v float64) signal.Chunk {
	return signal.Chunk{Channel: c, Start: serviceStart.Add(after), Values: []float64{v}}
}

// causes lists the causes that stand.
func causes(m *Monitor) (out []pump.Cause) {
	for _, x := range m.state.Episodes.Causes {
		out = append(out, x.Told.Cause)
	}
	return out
}

func seen(m *Monitor, after time.Duration, s feature.State) {
	at := serviceStart.Add(after)
	m.transition(feature.Transition{Time: at, Since: at.Add(-time.Second), State: s})
}

// An epoch that touches a cleaning is set aside, those before and after are not; while it is cleaned the pump is not said to run
// dry, and what it does when it is back in service is told again.
func TestNothingIsJudgedWhileCleaned(t *testing.T) {
	m := New(Settings{})
	epoch := func(from, to time.Duration) feature.State {
		e := feature.Epoch{Start: serviceStart.Add(from), End: serviceStart.Add(to), State: feature.Running}
		m.setAside(&e)
		return e.State
	}
	m.follow(says(signal.ServiceState, 0, float64(signal.ServiceRun)))
	if s := epoch(0, time.Minute); s != feature.Running {
		t.Errorf("in service: %s", s)
	}
	seen(m, 5*time.Minute, feature.Dry)
	if diff := cmp.Diff([]pump.Cause{pump.DryRunning}, causes(m)); diff != "" {
		t.Error(diff)
	}
	m.follow(says(signal.ServiceState, 10*time.Minute, float64(signal.ServiceClean)))
	if diff := cmp.Diff([]pump.Cause(nil), causes(m)); diff != "" {
		t.Errorf("while cleaned: %s", diff)
	}
	if s := m.Status(); s.Service != signal.ServiceClean || !s.ServiceSince.Equal(serviceStart.Add(10*time.Minute)) || s.Running.State != feature.Unknown {
		t.Errorf("%+v", s)
	}
	seen(m, 11*time.Minute, feature.NotStroking)
	if diff := cmp.Diff([]pump.Cause(nil), causes(m)); diff != "" {
		t.Errorf("while cleaned: %s", diff)
	}
	if s := epoch(9*time.Minute, 11*time.Minute); s != feature.Unknown {
		t.Errorf("an epoch that reaches into the cleaning is %s", s)
	}
	m.follow(says(signal.ServiceState, 20*time.Minute, float64(signal.ServiceRun)))
	if diff := cmp.Diff([]pump.Cause{pump.NotStroking}, causes(m)); diff != "" {
		t.Errorf("back in service: %s", diff)
	}
	for _, x := range []struct {
		from, to time.Duration
		want     feature.State
	}{
		{5 * time.Minute, 10 * time.Minute, feature.Running}, {12 * time.Minute, 13 * time.Minute, feature.Unknown},
		{19 * time.Minute, 21 * time.Minute, feature.Unknown}, {20 * time.Minute, 21 * time.Minute, feature.Running},
	} {
		if s := epoch(x.from, x.to); s != x.want {
			t.Errorf("%v to %v: %s, want %s", x.from, x.to, s, x.want)
		}
	}
	// What is out of service is known after a restart too.
	data, err := m.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	again, err := Restore(Settings{}, data)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(m.state.Use, again.state.Use); diff != "" {
		t.Error(diff)
	}
}

// A pressure that is taken before the shut-off valve stands while the pump has no air: that is no pump that does not stroke.
func TestPressureBeforeTheValve(t *testing.T) {
	withValve := Settings{AirBeforeValve: true}
	withValve.Channels[signal.AirValveOpen] = true
	for _, tt := range []struct {
		name  string
		set   Settings
		valve []float64
		want  []pump.Cause
	}{
		{"after the valve", Settings{}, nil, []pump.Cause{pump.NotStroking}},
		{"before the valve, which nobody sees", Settings{AirBeforeValve: true}, nil, nil},
		{"before the valve, open", withValve, []float64{1}, []pump.Cause{pump.NotStroking}},
		{"before the valve, shut", withValve, []float64{1, 0}, nil},
		{"before the valve, opened again", withValve, []float64{0, 1}, []pump.Cause{pump.NotStroking}},
	} {
		m := New(tt.set)
		seen(m, time.Second, feature.NotStroking)
		for i, v := range tt.valve {
			m.follow(says(signal.AirValveOpen, time.Duration(i+2)*time.Second, v))
		}
		if diff := cmp.Diff(tt.want, causes(m)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}

// A stepped pump of ratio 2 whose discharge stands at 1.5 times the air pressure works like an ordinary one at 0.75 of it.
func TestPressureRatio(t *testing.T) {
	e := feature.Epoch{State: feature.Running, Inlet: feature.Value{V: 4e5, Valid: true}, Discharge: feature.Value{V: 6e5, Valid: true}}
	e.Features[feature.StrokeRate] = feature.Value{V: 2, SE: 0.01, Valid: true}
	stepped, ok := baseline.Observe(ordinary(e, 2))
	e.Discharge.V = 3e5
	plain, ok2 := baseline.Observe(ordinary(e, 0))
	if !ok || !ok2 || stepped.Op != plain.Op {
		t.Errorf("%+v and %+v", stepped.Op, plain.Op)
	}
}

// A pump that a solenoid drives has no pilot valve.
func TestSolenoidHasNoPilot(t *testing.T) {
	model, err := pump.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	all, err := diagnose.Hypotheses(model)
	if err != nil {
		t.Fatal(err)
	}
	count := func(hs []diagnose.Hypothesis) (pilot int) {
		for _, h := range hs {
			if h.Fault == pump.PilotValveSlow {
				pilot++
			}
		}
		return pilot
	}
	driven := Possible(Settings{Solenoid: true}, all)
	if n := count(all); n == 0 || count(driven) != 0 || len(driven) != len(all)-n || len(Possible(Settings{}, all)) != len(all) {
		t.Errorf("%d of %d hypotheses are of the pilot; %d are left", n, len(all), len(driven))
	}
}
