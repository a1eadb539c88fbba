package detect

import (
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/diagnose"
	"diastole/model/plant"
	"diastole/model/pump"
)

// TestSoundPumpsOfEverySize bring no ticket and no advisory: each is simulated for some days with a static head and an air pressure that wander, seen
// for some seconds every four hours, and learned for three days.
func TestSoundPumpsOfEverySize(t *testing.T) {
	for i, name := range pump.GenericNames() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			model, err := pump.Generic(name)
			if err != nil {
				t.Fatal(err)
			}
			hypotheses, err := diagnose.Hypotheses(model)
			if err != nil {
				t.Fatal(err)
			}
			params, err := plant.Generic(name)
			if err != nil {
				t.Fatal(err)
			}
			rng := rand.New(rand.NewPCG(uint64(i), 60))
			params = params.Scatter(rng, 1)
			p := plant.New(params, uint64(i))
			p.Used(1e9) // worn in
			set := settings(model, hypotheses)
			set.Learn = LearnSettings{For: 80 * time.Hour}
			m := New(set)
			const seen, every, looked = 36, 4 * time.Hour, 5
			process := params.Reference()
			head, air := process.StaticHead, process.Setting
			top := 0.0
			for burst := range seen {
				process.StaticHead = head * (0.8 + 0.4*rng.Float64())
				process.Setting = air * (0.97 + 0.06*rng.Float64())
				p.Set(plant.Faults{}, process)
				p.Run(2*time.Second, 2*time.Second, nil)
				at := begin.Add(time.Duration(burst) * every)
				for s := range looked {
					for _, c := range second(p, at.Add(time.Duration(s)*time.Second), rng) {
						m.Push(c)
					}
				}
				m.Advance(at.Add(every / 2))
				for _, f := range m.Take() {
					if f.Kind != EpochDone && f.Kind != BaselineLearned {
						t.Errorf("burst %d: %s %+v", burst, f.Kind, f.Diagnosis)
					}
				}
				if s := m.Status(); s.ChangeLimit > 0 {
					top = max(top, s.Change/s.ChangeLimit)
				}
			}
			t.Logf("omnibus chart up to %.2f of its limit", top)
			if m.Status().Learned < 1 || top == 0 {
				t.Error("never judged")
			}
		})
	}
}
