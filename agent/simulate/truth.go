package simulate

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"time"

	"diastole/model/advice"
	"diastole/model/plant/scenario"
	"diastole/model/pump"
)

// Truth is what really happened to one pump: one fault, or none.
type Truth struct {
	// Name is that of the recording.
	Name string `json:"name"`
	Pump string `json:"pump"`
	// Size is the pump's model.
	Size string `json:"size"`
	// Fault, Side and Kit are empty for a pump that stays sound.
	Fault pump.Fault `json:"fault"`
	Side  pump.Side  `json:"side"`
	Kit   pump.Kit   `json:"kit"`
	// Crosses tells when the fault passes a part of the size that calls for a rebuild: "0.10", "0.25", "0.50" and
	// "1.00"; a part that it does not reach is absent.
	Crosses map[string]time.Time `json:"crosses"`
	// Bursts is how many bursts were sampled, 0 where it was all the time.
	Bursts int       `json:"bursts"`
	Start  time.Time `json:"start"`
	End    time.Time `json:"end"`
	// LearnUntil is when learning ends.
	LearnUntil time.Time `json:"learn_until"`
}

// Truth tells what happens in the plan, in the order of its pumps and their wear.
func (p *Plan) Truth(name string) (out []Truth) {
	s := &p.Scenario
	for i := range s.Pumps {
		t := Truth{
			Name: name, Pump: s.Pumps[i].ID, Size: s.Pumps[i].Model, Crosses: map[string]time.Time{},
			Start: s.Start, End: s.Start.Add(s.Length), LearnUntil: s.Start.Add(p.Learn),
		}
		if every := s.Bursts.Every; every > 0 {
			t.Bursts = int((s.Length + every - 1) / every)
		}
		if len(s.Pumps[i].Wear) == 0 {
			out = append(out, t)
			continue
		}
		one := *s
		one.Pumps = []scenario.Pump{s.Pumps[i]}
		for k, w := range one.Truth() {
			size := cmp.Or(s.Pumps[i].Wear[k].Size, 1)
			t.Fault, t.Side, t.Kit = w.Fault, w.Side, advice.For(w.Fault, w.Side, size, false).Kit
			t.Crosses = map[string]time.Time{}
			for _, c := range w.Crosses {
				t.Crosses[strconv.FormatFloat(c.Size, 'f', 2, 64)] = c.At
			}
			out = append(out, t)
		}
	}
	return out
}

// WriteTruth writes what happens in the plan as a JSON array.
func (p *Plan) WriteTruth(w io.Writer, name string) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	if err := e.Encode(p.Truth(name)); err != nil {
		return fmt.Errorf("write the truth: %w", err)
	}
	return nil
}
