package accept

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"diastole/detect/baseline"
	"diastole/detect/feature"
	"diastole/model/pump"
)

//go:generate go run ../../cmd/signatures -pumps 10 -assembly rebuilds.json

//go:embed rebuilds.json
var tableFile []byte

// Table is what simulated pumps did after a rebuild: how far the coordinates of each moved from its own healthy state.
type Table struct {
	// Fresh are good rebuilds in their first strokes, BeddedIn the same after bedding in.
	Fresh, BeddedIn []Shift
	// Wrong are fresh rebuilds with a mistake in the stroke A.
	Wrong map[Mistake][]Shift
}

// Shift is the change of one pump in coordinates (see baseline.Observe) where it could be formed, and the head at which it was
// seen: what new seals and most mistakes do grows as the pump comes near its stall.
type Shift struct {
	Head float64
	Val  baseline.Vector
	Has  [baseline.Dim]bool
}

// headKey is the name of the head beside those of the features.
const headKey = "head"

// MarshalJSON writes the features by name.
func (s Shift) MarshalJSON() ([]byte, error) {
	m := map[string]float64{headKey: s.Head}
	for j := range baseline.Dim {
		if s.Has[j] {
			m[feature.ID(j).String()] = s.Val[j]
		}
	}
	return json.Marshal(m)
}

// UnmarshalJSON reads them back; a feature that is not known is an error.
func (s *Shift) UnmarshalJSON(data []byte) error {
	var m map[string]float64
	if err := json.Unmarshal(data, &m); err != nil {
		return err
	}
	s.Head = m[headKey]
	delete(m, headKey)
	for j := range baseline.Dim {
		name := feature.ID(j).String()
		s.Val[j], s.Has[j] = m[name], false
		if _, ok := m[name]; ok {
			s.Has[j] = true
			delete(m, name)
		}
	}
	if left := slices.Sorted(maps.Keys(m)); len(left) > 0 {
		return fmt.Errorf("feature %q is not known", left[0])
	}
	return nil
}

// DecodeTable reads a table as it is stored.
func DecodeTable(data []byte) (Table, error) {
	var t Table
	if err := json.Unmarshal(data, &t); err != nil {
		return Table{}, fmt.Errorf("table of rebuilds: %w", err)
	}
	return t, nil
}

// hypothesis is one way in which a rebuild may have turned out.
type hypothesis struct {
	mistake Mistake
	side    pump.Side
	shifts  []Shift
}

// hypotheses are the mistakes of both strokes.
func (t *Table) hypotheses() []hypothesis {
	var out []hypothesis
	for _, m := range []Mistake{SeatSealMissing, BallWrong, DiaphragmReversed, ChamberMisaligned, GasketWrong, PilotNotSeated} {
		a := hypothesis{m, pump.SideA, t.Wrong[m]}
		b := hypothesis{m, pump.SideB, nil}
		for _, s := range a.shifts {
			b.shifts = append(b.shifts, s.mirrored())
		}
		out = append(out, a, b)
	}
	return out
}

// mirrored is the same change with A and B exchanged.
func (s Shift) mirrored() Shift {
	o := baseline.Observation{Val: s.Val}
	s.Val = o.Mirrored().Val
	return s
}
