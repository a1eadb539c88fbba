package detect

import (
	"bytes"
	"encoding/gob"
	"fmt"

	"diastole/detect/accept"
	"diastole/detect/baseline"
	"diastole/detect/feature"
)

// Rebuilt forgets the healthy pump and learns anew with the best that it has been as prior; the rebuild is judged by the first
// strokes that come, and again after bedding in. A best that knows nothing leaves what pumps of the model do.
func (m *Monitor) Rebuilt(best Healthy) {
	m.Relearn()
	m.state.Best = best.learned
	m.state.Trial = accept.New(m.settings.Model, best.learned)
}

// Best is the best that the pump has been: what was learned last, unless that is of a rebuild that was not found good, else
// what was known before it.
func (m *Monitor) Best() Healthy {
	st := &m.state
	if st.Bank != nil && (st.Trial == nil || !st.Trial.Wrong) {
		return Healthy{st.Bank.Healthy, m.settings.PressureRatio}
	}
	return Healthy{st.Best, m.settings.PressureRatio}
}

// Strokes counts the strokes since the baseline began.
func (m *Monitor) Strokes() float64 { return m.state.Strokes }

// try lets the acceptance of the last rebuild see an epoch.
func (m *Monitor) try(e *feature.Epoch, o baseline.Observation, ok bool) {
	if m.state.Trial == nil {
		return
	}
	if v := m.state.Trial.Add(e, o, ok); v != nil {
		m.emit([]Finding{{Kind: RebuildJudged, Time: e.End, Verdict: v}})
	}
}

// Learned tells whether anything is known of the pump.
func (h Healthy) Learned() bool { return h.learned != nil }

// Encode is the stored form of a healthy pump; nil where nothing is known of it.
func (h Healthy) Encode() []byte {
	if h.learned == nil {
		return nil
	}
	var b bytes.Buffer
	if err := gob.NewEncoder(&b).Encode(h.learned); err != nil { // numbers, truth values and a time
		panic(fmt.Sprintf("BUG: %v", err))
	}
	return b.Bytes()
}

// DecodeHealthy reads what Encode gave. Nothing decodes to a healthy pump that is not known.
func DecodeHealthy(data []byte) (Healthy, error) {
	if len(data) == 0 {
		return Healthy{}, nil
	}
	h := &baseline.Healthy{}
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(h); err != nil {
		return Healthy{}, fmt.Errorf("the best that the pump has been: %w", err)
	}
	return Healthy{learned: h}, nil
}
