package detect

import (
	"bytes"
	"encoding/gob"
	"errors"
	"fmt"
	"time"

	"diastole/detect/accept"
	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/prognose"
	"diastole/detect/sensor"
	"diastole/detect/signal"
)

// Monitor is one pump. It is not safe for concurrent use; one goroutine owns it.
type Monitor struct {
	settings Settings
	builder  *feature.Builder
	state    state
	// watch looks at the sensors' samples, standing are their faults.
	watch    sensor.Watch
	standing sensor.Standing
	out      []Finding
}

// state is all that a monitor knows beyond its settings and the samples of the open epoch.
type state struct {
	Learning learning
	Bank     *diagnose.Bank
	Omnibus  *chart.Omnibus
	Summary  *BaselineSummary
	Episodes episodes
	// Course is the pump's level since the baseline, WearTold when the growth of the fault that stands was last told.
	Course   diagnose.Course
	WearTold time.Time
	// Strokes counts the strokes since the baseline began, of them Unheard since the counter's last total, Counter, was read at
	// Counted.
	Strokes, Unheard float64
	Counter          feature.Value
	Counted          time.Time
	// Running is what the pump was last seen doing, and since when.
	Running feature.Transition
	Use     use
	Cycles  Cycles
	// Probe is what the probe for liquid on the air side reads.
	Probe probe
	// Best is the best that the pump has been before its last rebuild, nil where that is not known; Trial is the acceptance of
	// that rebuild, nil before the first one.
	Best  *baseline.Healthy
	Trial *accept.Trial
}

// New makes a monitor that has seen nothing.
func New(s Settings) *Monitor {
	return &Monitor{settings: s, builder: feature.NewBuilder(builderSettings(s))}
}

func builderSettings(s Settings) feature.Settings {
	return feature.Settings{
		Channels:        s.Channels,
		CounterPerCycle: s.Counter.PerCycle,
		EdgePerCycle:    s.EdgePerCycle,
		WrapsAt:         s.Counter.WrapsAt,
		MaxStrokeRate:   2 * s.Model.MaxCycleRate,
		PressureRatio:   s.PressureRatio,
		StrokeVolume:    s.Model.StrokeVolume, StrokeVolumeSpread: volumeSpread(s.Model),
		Supply: s.Supply,
	}
}

// Push takes a chunk of samples. Chunks of all channels come in order of their start times, each sample once.
func (m *Monitor) Push(c signal.Chunk) {
	m.builder.Push(c)
	m.fold()
	m.watch.Push(c)
	m.follow(c)
	m.probed(c)
}

// Advance tells that nothing older than t will come any more, so that silence is seen too. Advancing in
// several steps is the same as advancing in one.
func (m *Monitor) Advance(t time.Time) {
	m.builder.Advance(t)
	m.fold()
	m.probeUntil(t)
}

// Refold folds epochs that were finished and stored before, in time order, as after a crash: their findings come again.
// Samples of an epoch that was still open are forgotten.
func (m *Monitor) Refold(epochs []feature.Epoch) {
	m.builder = feature.NewBuilder(builderSettings(m.settings))
	m.watch = sensor.Watch{}
	for i := range epochs {
		m.epoch(&epochs[i])
	}
}

// Take returns what was found since the last call, in order of time.
func (m *Monitor) Take() []Finding {
	out := m.out
	m.out = nil
	return out
}

// Status is what a monitor knows now, for people to see.
type Status struct {
	Running feature.Transition
	// Service is what the pump is used for, since ServiceSince where that was ever told.
	Service      signal.Service
	ServiceSince time.Time
	Baseline     *BaselineSummary
	// Learned tells how far learning is, 0 to 1.
	Learned float64
	Strokes float64
	// Score is the ticket statistic, Threshold what it must exceed; both are 0 while learning.
	Score, Threshold float64
	// Change is the statistic of the omnibus chart at its last look, ChangeLimit what it must exceed.
	Change, ChangeLimit float64
	Healthy             Healthy
	Cycles              Cycles
	// Open are the diagnoses that stand, the fault first.
	Open []diagnose.Diagnosis
	// Duty is how the pump has run over the last week; zero while the baseline is learned.
	Duty prognose.Duty
}

// Status reports what the monitor knows now.
func (m *Monitor) Status() Status {
	s := Status{
		Running: m.state.Running, Service: m.state.Use.Service, ServiceSince: m.state.Use.Since, Baseline: m.state.Summary,
		Strokes: m.state.Strokes, Cycles: m.state.Cycles, Learned: 1,
	}
	s.Open = m.state.Episodes.open()
	for i := range m.standing.Episodes {
		s.Open = append(s.Open, sensorDiagnosis(&m.standing.Episodes[i]))
	}
	if m.state.Bank == nil {
		s.Learned = m.state.Learning.progress(m.settings.Learn)
		return s
	}
	v := m.state.Bank.Verdict(kitOf)
	s.Score, s.Threshold = v.FaultScore, m.state.Bank.Threshold
	s.Change, s.ChangeLimit = m.state.Omnibus.Last.T2, m.state.Omnibus.Limit
	s.Healthy = Healthy{m.state.Bank.Healthy, m.settings.PressureRatio}
	s.Duty = m.duty()
	return s
}

// Healthy is the healthy pump as it was learned. It does not change, and may be used from any goroutine. The zero value
// knows nothing.
type Healthy struct {
	learned *baseline.Healthy
	ratio   float64
}

// Expect gives what the healthy pump would show in epoch e: mean and standard deviation per feature in its own
// unit. It reports false while nothing is learned, and for an epoch that cannot be judged.
func (h Healthy) Expect(e feature.Epoch) (mean, sigma [feature.NumFeatures]float64, ok bool) {
	o, ok := baseline.Observe(ordinary(e, h.ratio))
	if !ok || h.learned == nil {
		return mean, sigma, false
	}
	x, _ := h.learned.Expect(o.Op)
	sd := h.learned.Sigma(o)
	for j := range baseline.Dim {
		f := feature.ID(j)
		mean[j] = baseline.Natural(f, x[j])
		sigma[j] = (baseline.Natural(f, x[j]+sd[j]) - baseline.Natural(f, x[j]-sd[j])) / 2
	}
	return mean, sigma, true
}

// Relearn forgets the healthy pump and learns anew, as after another hose or product.
func (m *Monitor) Relearn() {
	m.state = state{
		Running: m.state.Running, Use: m.state.Use, Counter: m.state.Counter, Counted: m.state.Counted,
		Probe: probe{Wet: m.state.Probe.Wet, Since: m.state.Probe.Since},
	}
}

func (m *Monitor) fold() {
	epochs, transitions := m.builder.Take()
	for _, t := range transitions {
		m.transition(t)
	}
	for i := range epochs {
		m.sense(&epochs[i])
		m.epoch(&epochs[i])
	}
}

func (m *Monitor) emit(findings []Finding) {
	for _, f := range findings {
		f.StrokesRun = m.state.Strokes
		m.out = append(m.out, f)
	}
}

// epoch folds one finished epoch into the state.
func (m *Monitor) epoch(e *feature.Epoch) {
	m.count(e)
	m.setAside(e)
	m.state.Cycles.take(e, m.state.Bank == nil && !excluded(m.settings.Learn.Exclude, e.Start))
	m.emit([]Finding{{Kind: EpochDone, Time: e.End, Epoch: e}})
	m.sensors(e)
	x := ordinary(*e, m.settings.PressureRatio)
	o, ok := baseline.Observe(x)
	m.try(&x, o, ok)
	stall, stalled := diagnose.StallOf(&x)
	if m.state.Bank == nil {
		if stalled {
			m.state.Learning.Stalls.Learn(stall)
		}
		if m.state.Learning.add(m.settings.Learn, e, o, ok) {
			m.learned(e.End)
		}
		return
	}
	if stalled && !m.state.Bank.Stalls.Usual() {
		// Not an operating point of the running pump. What it says is weighed with the next epoch of running.
		m.state.Bank.Stalls.Add(stall)
		return
	}
	if !ok {
		return
	}
	m.state.Bank.Update(e.End, o)
	m.course(e)
	m.emit(m.wear(m.state.Episodes.judge(m.state.Bank, e.End, o), e.End))
	y := chart.Measure(m.state.Bank.Healthy, o)
	if m.state.Omnibus.Update(e.End, &y, m.state.Bank.Filter.Swapped) {
		m.emit(m.state.Episodes.judgeOmnibus(m.state.Bank, m.state.Omnibus, e.End, o))
	}
}

// count adds the strokes of an epoch. Where more have passed since the counter was last heard, as between bursts, the counter
// knows; where it started anew or cannot be right, those of the epochs are all that is known.
func (m *Monitor) count(e *feature.Epoch) {
	n, st := float64(e.Strokes), &m.state
	if e.Counter.Valid {
		if st.Counter.Valid && e.End.After(st.Counted) { // else epochs of before are folded again
			d := e.Counter.V - st.Counter.V
			if d < 0 {
				d += m.settings.Counter.WrapsAt
			}
			if m.settings.Counter.PerCycle {
				d *= 2
			}
			if most := 2 * m.settings.Model.MaxCycleRate * e.End.Sub(st.Counted).Seconds(); d <= most {
				n = max(n, d-st.Unheard)
			}
		}
		st.Counter, st.Counted, st.Unheard = e.Counter, e.End, 0
	} else {
		st.Unheard += n
	}
	st.Strokes += n
}

// learned ends the learning stretch.
func (m *Monitor) learned(at time.Time) {
	l := &m.state.Learning
	h := baseline.LearnAfter(m.settings.Model, m.state.Best, l.Samples)
	budget, perYear := m.settings.FalseTicketsPerYear, l.epochsPerYear()
	m.state.Bank = diagnose.NewBank(h, m.settings.Hypotheses, perYear, (1-omnibusShare)*budget)
	m.state.Omnibus = chart.NewOmnibus(h, baseline.Assumed(m.settings.Model, h.Known), l.Samples, perYear, omnibusShare*budget)
	m.state.Bank.Stalls = l.Stalls
	m.state.Summary = l.summary(m.settings.Learn.AsFound || m.state.Trial != nil && m.state.Trial.Wrong)
	m.state.Learning = learning{}
	m.emit([]Finding{{Kind: BaselineLearned, Time: at, Baseline: m.state.Summary}})
}

// snapshot is the stored form of a monitor.
type snapshot struct {
	Version  int
	State    state
	Builder  []byte
	Watch    sensor.Watch
	Standing sensor.Standing
}

const snapshotVersion = 2

// Snapshot stores all that the monitor knows; findings that were not taken are not part of it.
func (m *Monitor) Snapshot() ([]byte, error) {
	b, err := m.builder.Snapshot()
	if err != nil {
		return nil, fmt.Errorf("snapshot of the open epoch: %w", err)
	}
	var buf bytes.Buffer
	if err := gob.NewEncoder(&buf).Encode(snapshot{snapshotVersion, m.state, b, m.watch, m.standing}); err != nil {
		return nil, fmt.Errorf("snapshot of the monitor: %w", err)
	}
	return buf.Bytes(), nil
}

// Restore makes a monitor that goes on exactly where the snapshot was taken.
func Restore(s Settings, data []byte) (*Monitor, error) {
	var snap snapshot
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&snap); err != nil {
		return nil, fmt.Errorf("restore the monitor: %w", err)
	}
	if snap.Version != snapshotVersion {
		return nil, fmt.Errorf("restore the monitor: snapshot has version %d, this program reads %d", snap.Version, snapshotVersion)
	}
	b, err := feature.Restore(builderSettings(s), snap.Builder)
	if err != nil {
		return nil, fmt.Errorf("restore the open epoch: %w", err)
	}
	if (snap.State.Bank == nil) != (snap.State.Omnibus == nil) {
		return nil, errors.New("restore the monitor: the snapshot has one chart without the other")
	}
	if snap.State.Bank != nil {
		if err := snap.State.Bank.Use(s.Hypotheses); err != nil {
			return nil, fmt.Errorf("restore the monitor: %w", err)
		}
	}
	return &Monitor{settings: s, builder: b, state: snap.State, watch: snap.Watch, standing: snap.Standing}, nil
}
