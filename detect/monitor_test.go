package detect

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// course is what a monitor does with the recorded pump: the snapshot before each chunk, and the findings of each.
type course struct {
	snapshots [][]byte
	findings  [][]Finding
}

// watch runs the recorded pump through one monitor, once for all tests.
var watch = sync.OnceValues(func() (*course, error) {
	model, err := pump.Generic("generic-one-inch")
	if err != nil {
		return nil, err
	}
	hypotheses, err := diagnose.Hypotheses(model)
	if err != nil {
		return nil, err
	}
	m := New(settings(model, hypotheses))
	c := &course{}
	for _, x := range recorded() {
		s, err := m.Snapshot()
		if err != nil {
			return nil, err
		}
		c.snapshots = append(c.snapshots, s)
		m.Push(x)
		c.findings = append(c.findings, m.Take())
	}
	return c, nil
})

func watchedCourse(t *testing.T) *course {
	t.Helper()
	c, err := watch()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// same compares findings to the last bit, but for what gob does not keep: nil and empty slices.
func same(want, got []Finding) string { return cmp.Diff(want, got, cmpopts.EquateEmpty()) }

// TestMonitorTellsTheStory: the recorded pump is learned, then its valve sticks, and that is told with the air-end kit,
// in time order.
func TestMonitorTellsTheStory(t *testing.T) {
	all := slices.Concat(watchedCourse(t).findings...)
	stuck := begin.Add(healthyBursts * time.Hour)
	var learned, raised *Finding
	epochs := 0
	for i := range all {
		f := &all[i]
		if i > 0 && f.Time.Before(all[i-1].Time) {
			t.Errorf("%s at %v comes after %s at %v", f.Kind, f.Time, all[i-1].Kind, all[i-1].Time)
		}
		switch f.Kind {
		case EpochDone:
			epochs++
		case BaselineLearned:
			learned = f
		case FaultRaised:
			raised = f
		case FaultChanged:
			if f.Diagnosis.Fault != pump.AirValveSticking {
				t.Errorf("%v: the ticket turned to %s", f.Time, f.Diagnosis.Fault)
			}
		case FaultWorn:
		default:
			t.Errorf("%v: %s", f.Time, f.Kind)
		}
	}
	if epochs != bursts-1 { // the last burst is not over
		t.Errorf("%d epochs of %d bursts", epochs, bursts-1)
	}
	if learned == nil || learned.Time.Before(begin.Add(24*time.Hour)) || learned.Time.After(begin.Add(25*time.Hour)) {
		t.Fatalf("learned: %+v, want it after a day", learned)
	}
	if s := learned.Baseline; s.Epochs != 25 || s.AsFound || s.InletMin <= 0 || s.InletMin > s.InletMax || s.DischargeMin > s.DischargeMax {
		t.Errorf("learned from %+v", s)
	}
	if raised == nil {
		t.Fatal("a valve that sticks brought no ticket")
	}
	d := raised.Diagnosis
	if d.Fault != pump.AirValveSticking || raised.Time.Before(stuck) || raised.Time.After(stuck.Add(5*time.Hour)) {
		t.Errorf("%s was raised at %v; the valve stuck from %v", d.Fault, raised.Time, stuck)
	}
	if want := "rebuild-" + d.Since.UTC().Format("20060102T150405Z"); raised.Key != want {
		t.Errorf("the ticket is named %q, want %q", raised.Key, want)
	}
	if raised.StrokesRun <= learned.StrokesRun || learned.StrokesRun <= 0 {
		t.Errorf("%g strokes were run when it was learned, %g when the fault was raised", learned.StrokesRun, raised.StrokesRun)
	}
}

// TestSnapshotAnywhere cuts the course at any chunk: a monitor restored there finds the same from then on, and its own
// snapshot after any number of further chunks is the same to the last byte.
func TestSnapshotAnywhere(t *testing.T) {
	chunks, c, set := recorded(), watchedCourse(t), watched(t)
	rapid.Check(t, func(t *rapid.T) {
		cut := rapid.IntRange(0, len(chunks)-2).Draw(t, "cut")
		end := min(len(chunks)-1, cut+rapid.IntRange(1, 60).Draw(t, "chunks after it"))
		m, err := Restore(set, c.snapshots[cut])
		if err != nil {
			t.Fatal(err)
		}
		for i := cut; i < end; i++ {
			m.Push(chunks[i])
			if diff := same(c.findings[i], m.Take()); diff != "" {
				t.Fatalf("restored before chunk %d, chunk %d brought (-without +with the restart):\n%s", cut, i, diff)
			}
		}
		s, err := m.Snapshot()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(s, c.snapshots[end]) {
			t.Errorf("restored before chunk %d, the snapshot before chunk %d is another", cut, end)
		}
	})
}

// TestAdvanceIsComposable: telling the watermark in any number of steps, or not at all while samples come, finds the same.
func TestAdvanceIsComposable(t *testing.T) {
	chunks, set := recorded(), watched(t)
	end := chunks[len(chunks)-1].End().Add(time.Hour)
	once := New(set)
	for _, x := range chunks {
		once.Push(x)
	}
	once.Advance(end)
	want := once.Take()
	for seed := range uint64(4) {
		m := New(set)
		rng := rand.New(rand.NewPCG(seed, 41))
		for i, x := range chunks {
			m.Push(x)
			next := end
			if i+1 < len(chunks) {
				next = chunks[i+1].Start
			}
			// Any times up to the next chunk, also such as lie in the past.
			for range 3 {
				m.Advance(x.Start.Add(min(next.Sub(x.Start), time.Duration(rng.Int64N(int64(time.Hour))))))
			}
		}
		m.Advance(end)
		if diff := same(want, m.Take()); diff != "" {
			t.Fatalf("advanced in steps (-once +in steps):\n%s", diff)
		}
	}
}

// TestRefoldFindsTheSame: all above the epoch is a fold over epochs. Those of the course, folded again, bring the same
// findings.
func TestRefoldFindsTheSame(t *testing.T) {
	want := slices.Concat(watchedCourse(t).findings...)
	var epochs []feature.Epoch
	for _, f := range want {
		if f.Kind == EpochDone {
			epochs = append(epochs, *f.Epoch)
		}
	}
	m := New(watched(t))
	m.Refold(epochs)
	if diff := same(want, m.Take()); diff != "" {
		t.Errorf("folded again (-first +again):\n%s", diff)
	}
}

// TestStatus follows what people see, from nothing over learning to a ticket.
func TestStatus(t *testing.T) {
	chunks, c, set := recorded(), watchedCourse(t), watched(t)
	if s := New(set).Status(); s.Learned != 0 || s.Baseline != nil || len(s.Open) != 0 {
		t.Errorf("a new monitor: %+v", s)
	}
	last := 0.0
	for i := 0; i < len(chunks); i += 12 {
		m, err := Restore(set, c.snapshots[i])
		if err != nil {
			t.Fatal(err)
		}
		s := m.Status()
		if s.Learned < last || s.Learned > 1 {
			t.Errorf("chunk %d: learned %g after %g", i, s.Learned, last)
		}
		last = s.Learned
		if (s.Baseline != nil) != (s.Threshold > 0) || s.Baseline != nil && s.Learned != 1 {
			t.Errorf("chunk %d: learned %g, threshold %g, baseline %v", i, s.Learned, s.Threshold, s.Baseline)
		}
	}
	m, err := Restore(set, c.snapshots[len(chunks)-1])
	if err != nil {
		t.Fatal(err)
	}
	s := m.Status()
	if len(s.Open) != 1 || s.Open[0].Fault != pump.AirValveSticking || s.Score <= s.Threshold || s.Running.State != feature.Running {
		t.Errorf("at the end: %+v", s)
	}
	// What is expected of a healthy epoch is what such epochs show.
	e := *c.findings[slices.IndexFunc(c.findings, func(fs []Finding) bool { return len(fs) > 0 })][0].Epoch
	mean, sigma, ok := s.Healthy.Expect(e)
	if !ok {
		t.Fatal("nothing is expected of a running epoch")
	}
	for f := range feature.NumFeatures {
		if v := e.Features[f]; v.Valid && !(abs(v.V-mean[f]) < 4*sigma[f]) {
			t.Errorf("%s was %g, expected %g±%g", f, v.V, mean[f], sigma[f])
		}
	}
	if _, _, ok := (Healthy{}).Expect(e); ok {
		t.Error("something is expected of a pump that was never learned")
	}
}

func abs(x float64) float64 { return max(x, -x) }

// TestRelearn: after a rebuild all begins anew, but for what the pump is doing.
func TestRelearn(t *testing.T) {
	chunks, c, set := recorded(), watchedCourse(t), watched(t)
	m, err := Restore(set, c.snapshots[len(chunks)-1])
	if err != nil {
		t.Fatal(err)
	}
	before := m.Status()
	m.Relearn()
	if s := m.Status(); s.Learned != 0 || s.Baseline != nil || len(s.Open) != 0 || s.Strokes != 0 || s.Running != before.Running {
		t.Errorf("after it: %+v", s)
	}
	// The valve still sticks: that is now this pump's health, and no ticket.
	for i := range 30 * 3 * burstSeconds {
		x := chunks[healthyBursts*3*burstSeconds+i%(9*3*burstSeconds)]
		x.Start = x.Start.Add(time.Duration(i/(9*3*burstSeconds)+2) * 10 * time.Hour)
		m.Push(x)
	}
	learned := false
	for _, f := range m.Take() {
		learned = learned || f.Kind == BaselineLearned
		if f.Kind == FaultRaised {
			t.Errorf("%v: %s", f.Time, f.Diagnosis.Fault)
		}
	}
	if !learned {
		t.Error("nothing was learned")
	}
}

// TestRestoreRefuses what is not a snapshot of this program, with an error and without a panic.
func TestRestoreRefuses(t *testing.T) {
	c, set := watchedCourse(t), watched(t)
	good := c.snapshots[len(c.snapshots)-1]
	for name, data := range map[string][]byte{"nothing": nil, "text": []byte("no snapshot"), "half of one": good[:len(good)/2]} {
		if _, err := Restore(set, data); err == nil {
			t.Errorf("%s was restored", name)
		}
	}
	other := set
	other.Hypotheses = slices.Concat(set.Hypotheses, set.Hypotheses[:1])
	if _, err := Restore(other, good); err == nil {
		t.Error("a snapshot was restored that follows other hypotheses")
	}
	other.Hypotheses = slices.Clone(set.Hypotheses)
	other.Hypotheses[3].Effects = other.Hypotheses[3].Effects[:2]
	if _, err := Restore(other, good); err == nil {
		t.Error("a snapshot was restored that follows hypotheses of other sizes")
	}
}

// FuzzRestore: whatever stands in a snapshot, restoring it does not panic, and what was restored can be asked, told the
// time and stored.
func FuzzRestore(f *testing.F) {
	h := newHourly(f, 1, LearnSettings{Strokes: 1})
	for n := range minEpochs + 3 {
		if n == 0 || n == 5 || n > minEpochs { // new, learning, learned
			data, err := h.Snapshot()
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
		h.hour(h.healthy())
	}
	set := h.settings
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := Restore(set, data)
		if err != nil {
			return
		}
		m.Status()
		m.Advance(begin)
		if _, err := m.Snapshot(); err != nil {
			t.Errorf("restored, but cannot be stored: %v", err)
		}
	})
}
