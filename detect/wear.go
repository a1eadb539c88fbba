package detect

import (
	"time"

	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/prognose"
)

// unresolved is the size below which sizes are not told apart: offsets of regimes do as much (the remaining-life campaign says what
// that is worth).
const unresolved = 0.25

// course adds an epoch to the pump's course.
func (m *Monitor) course(e *feature.Epoch) {
	m.state.Bank.Follow(&m.state.Course, m.state.Strokes, e.End.Sub(e.Start).Seconds(), float64(e.Strokes))
}

// wear gives the findings about a fault what was seen of its growth, and adds one when enough time has gone by since it was last told.
func (m *Monitor) wear(found []Finding, at time.Time) []Finding {
	x := m.state.Episodes.Fault
	if x == nil {
		return found
	}
	told := false
	for i := range found {
		if f := &found[i]; f.Kind == FaultRaised || f.Kind == FaultChanged {
			f.Wear = m.worn(f.Diagnosis)
			told = true
		}
	}
	if !told && at.Sub(m.state.WearTold) >= max(time.Hour, at.Sub(x.Told.Since)/10) {
		f := x.finding(FaultWorn, at)
		f.Wear = m.worn(f.Diagnosis)
		found, told = append(found, f), true
	}
	if told {
		m.state.WearTold = at
	}
	return found
}

func (m *Monitor) worn(d *diagnose.Diagnosis) *prognose.Wear {
	sizes, doubt := m.state.Bank.Sizes(&m.state.Course, d.Fault)
	w := &prognose.Wear{Doubt: doubt, Floor: unresolved}
	for _, s := range sizes {
		w.Points = append(w.Points, prognose.Point(s))
	}
	w.Duty = m.duty()
	return w
}

// duty is how the pump has run over the last week.
func (m *Monitor) duty() prognose.Duty {
	running, calendar := m.state.Course.Duty()
	return prognose.Duty{PerHour: running * 3600, PerDay: calendar * 86400}
}
