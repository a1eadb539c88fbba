package detect

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/detect/feature"
	"diastole/detect/signal"
	"diastole/model/pump"
)

// wetAt is one reading of the probe.
func wetAt(at time.Duration, v float64) signal.Chunk {
	return signal.Chunk{Channel: signal.LiquidInAir, Start: begin.Add(at), Values: []float64{v}}
}

// toldBy is what a monitor found so far, with the seconds since begin.
func toldBy(m *Monitor) []string {
	var out []string
	for _, f := range m.Take() {
		if f.Diagnosis != nil {
			out = append(out, fmt.Sprintf("%s %s at %.0f s since %.0f s", f.Kind, f.Diagnosis.Cause, f.Time.Sub(begin).Seconds(), f.Diagnosis.Since.Sub(begin).Seconds()))
		}
	}
	return out
}

// TestProbe: liquid in the air is told once, five seconds after the probe became wet, whether it reports on or not; a drop
// that passes is not; it ends after a minute dry, and neither a state of the pump nor an epoch ends it.
func TestProbe(t *testing.T) {
	const s = time.Second
	for _, c := range []struct {
		name     string
		readings []signal.Chunk
		until    time.Duration
		want     []string
	}{
		{"reports each second", []signal.Chunk{wetAt(0, 0), wetAt(1*s, 1), wetAt(2*s, 1), wetAt(3*s, 1), wetAt(4*s, 1), wetAt(5*s, 1), wetAt(6*s, 1), wetAt(7*s, 1)}, 10 * s,
			[]string{"cause-raised liquid-in-air at 6 s since 1 s"}},
		{"reports the change alone", []signal.Chunk{wetAt(0, 0), wetAt(1*s, 1)}, 10 * s, []string{"cause-raised liquid-in-air at 6 s since 1 s"}},
		{"wet from the first", []signal.Chunk{wetAt(3*s, 1)}, 10 * s, []string{"cause-raised liquid-in-air at 8 s since 3 s"}},
		{"not yet", []signal.Chunk{wetAt(3*s, 1)}, 7 * s, nil},
		{"a drop passes", []signal.Chunk{wetAt(0, 0), wetAt(1*s, 1), wetAt(4*s, 0), wetAt(5*s, 1), wetAt(8*s, 0)}, 100 * s, nil},
		{"dries up", []signal.Chunk{wetAt(0, 1), wetAt(20*s, 0)}, 100 * s,
			[]string{"cause-raised liquid-in-air at 5 s since 0 s", "cause-cleared liquid-in-air at 80 s since 0 s"}},
		{"dry for a moment", []signal.Chunk{wetAt(0, 1), wetAt(20*s, 0), wetAt(70*s, 1)}, 200 * s, []string{"cause-raised liquid-in-air at 5 s since 0 s"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := New(Settings{})
			for _, r := range c.readings {
				m.Push(r)
			}
			m.Advance(begin.Add(c.until))
			if diff := cmp.Diff(c.want, toldBy(m)); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
			// In small steps, and over a restart in the middle, the same.
			m = New(Settings{})
			var got []string
			for at := time.Duration(0); at <= c.until; at += s / 2 {
				for _, r := range c.readings {
					if r.Start.Equal(begin.Add(at)) {
						m.Push(r)
					}
				}
				m.Advance(begin.Add(at))
				got = append(got, toldBy(m)...)
				data, err := m.Snapshot()
				if err != nil {
					t.Fatal(err)
				}
				if m, err = Restore(Settings{}, data); err != nil {
					t.Fatal(err)
				}
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("in steps (-want +got)\n%s", diff)
			}
		})
	}
}

// TestProbeOutlivesStates: what the probe tells stands beside the states of the pump.
func TestProbeOutlivesStates(t *testing.T) {
	var e episodes
	e.signalled(pump.LiquidInAir, true, begin, begin.Add(5*time.Second))
	for _, s := range []feature.State{feature.Running, feature.Dry, feature.Off, feature.Running} {
		e.transition(feature.Transition{Time: begin.Add(time.Minute), State: s, Since: begin.Add(time.Minute)})
		if len(e.Causes) == 0 || e.Causes[0].Told.Cause != pump.LiquidInAir {
			t.Fatalf("%v ended it", s)
		}
	}
	if _, again := e.signalled(pump.LiquidInAir, true, begin, begin.Add(time.Hour)); again {
		t.Error("told twice")
	}
}
