package feature

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"diastole/detect/signal"
	"diastole/model/plant"
	"diastole/model/pump"
)

// change is what happens to a pump: its parameters as they are, and what to make of its faults and process.
type change func(*plant.Params, *plant.Faults, *plant.Process)

// scattered runs a pump drawn at random, at a duty drawn at random, for 25 s as it is and for 25 s more with a change.
func scattered(t *testing.T, model string, seed uint64, f change) []signal.Chunk {
	t.Helper()
	p, err := plant.Generic(model)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(seed, 4))
	p = p.Scatter(rng, 1)
	s := plant.New(p, seed)
	pr := p.Reference()
	pr.Setting = 3e5 + 3e5*rng.Float64()
	pr.StaticHead = 0.3e5 + 1.2e5*rng.Float64()
	pr.ThrottleFactor = 0.3 + 3*rng.Float64()
	s.Set(plant.Faults{}, pr)
	s.Settle()
	const step, part = 10 * time.Millisecond, 25 * time.Second
	var in, out []float64
	var chunks []signal.Chunk
	run := func() {
		s.Run(part, step, func(x plant.Sample) {
			in = append(in, x.Inlet+1000*rng.NormFloat64())
			out = append(out, x.Discharge+1000*rng.NormFloat64())
			if len(in)%100 == 0 {
				at := start.Add(time.Duration(len(in)) * step)
				chunks = append(chunks, signal.Chunk{Channel: signal.StrokeCount, Start: at, Values: []float64{float64(x.Strokes)}})
			}
		})
	}
	run()
	var faults plant.Faults
	f(&p, &faults, &pr)
	s.Set(faults, pr)
	run()
	chunks = append(chunks, cut(signal.AirInletPressure, step, in, 100)...)
	chunks = append(chunks, cut(signal.DischargePressure, step, out, 100)...)
	order(chunks)
	return chunks
}

// TestStandingAndRacing plays scattered pumps of all sizes. A closed valve is no fault of a pump whose own friction holds its
// discharge half a bar below the air; a dry tank is told before the line has run empty; a valve that is thrown open and
// a check valve that fails are no dry tank.
func TestStandingAndRacing(t *testing.T) {
	leak := func(p *plant.Params, f *plant.Faults, _ *plant.Process) {
		*f, _ = plant.Fault(pump.CheckValveLeak, pump.SideBoth, 1, *p)
	}
	for _, c := range []struct {
		name   string
		change change
		pumps  uint64
		want   State
		never  []State
	}{
		{"dead-head", func(_ *plant.Params, _ *plant.Faults, p *plant.Process) { p.DeadHead = true }, 12, Stalled, []State{NotStroking, Dry}},
		{"valve centred", func(_ *plant.Params, f *plant.Faults, _ *plant.Process) { f.SpoolCentred = true }, 6, NotStroking, []State{Stalled}},
		{"dry", func(_ *plant.Params, _ *plant.Faults, p *plant.Process) { p.DryRun, p.StaticHead = true, 0 }, 6, Dry, []State{Stalled}},
		{"valve thrown open", func(_ *plant.Params, _ *plant.Faults, p *plant.Process) { p.ThrottleFactor = 0.01 }, 6, Running, []State{Dry, NotStroking}},
		{"check valves leak", leak, 6, Running, []State{Dry, NotStroking}},
	} {
		for seed := range c.pumps {
			model := pump.GenericNames()[seed%6]
			t.Run(fmt.Sprintf("%s/%d %s", c.name, seed, model), func(t *testing.T) {
				t.Parallel()
				_, transitions := build(modelSettings(t, model), scattered(t, model, seed, c.change))
				told := slices.IndexFunc(transitions, func(x Transition) bool { return x.State == c.want })
				if told < 0 {
					t.Fatalf("%v was not told: %v", c.want, transitions)
				}
				urgent := c.want == Dry || c.want == NotStroking
				if d := transitions[told].Time.Sub(start.Add(25 * time.Second)); urgent && d > 10*time.Second {
					t.Errorf("%v was told %v after it began", c.want, d)
				}
				for _, x := range transitions {
					if slices.Contains(c.never, x.State) {
						t.Errorf("%v was told", x)
					}
				}
			})
		}
	}
}
