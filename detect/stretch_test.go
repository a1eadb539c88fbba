package detect

import (
	"bytes"
	"encoding/gob"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/detect/baseline"
	"diastole/detect/feature"
)

// TestSamplesSurviveStorage: what is stored comes back to the last bit, for it is kept as it will be stored.
func TestSamplesSurviveStorage(t *testing.T) {
	h := newHourly(t, 3, LearnSettings{For: time.Hour})
	var s samples
	for i := range 40 {
		e := epochAt(begin.Add(time.Duration(i)*time.Hour), h.rng, h.healthy())
		e.Anchored = i%3 > 0
		e.Features[feature.Ripple].Valid = i%2 == 0
		e.Features[feature.StrokeRate].SE = 0.01 * float64(i)
		o, ok := baseline.Observe(e)
		if !ok {
			t.Fatal("the epoch is not judged")
		}
		s.add(e.End, o)
		for j := range baseline.Dim {
			got := s[i].Obs
			if d := got.Val[j] - o.Val[j]; d > 1e-6 || d < -1e-6 || got.Has[j] != o.Has[j] {
				t.Errorf("epoch %d, %s: %g is kept as %g", i, feature.ID(j), o.Val[j], got.Val[j])
			}
			if d := got.Var[j] - o.Var[j]; d > 0 || d < -0.01*o.Var[j] {
				t.Errorf("epoch %d, %s: the variance %g is kept as %g", i, feature.ID(j), o.Var[j], got.Var[j])
			}
		}
	}
	var buf bytes.Buffer
	if err := gob.NewEncoder(&buf).Encode(s); err != nil {
		t.Fatal(err)
	}
	stored := bytes.Clone(buf.Bytes())
	var back samples
	if err := gob.NewDecoder(&buf).Decode(&back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(s, back); diff != "" {
		t.Error(diff)
	}
	if most := 40*sampleSize + 400; len(stored) > most {
		t.Errorf("40 epochs are stored in %d bytes, want %d at most", len(stored), most)
	}
	if err := back.GobDecode(make([]byte, sampleSize+1)); err == nil {
		t.Error("epochs that are cut off are read")
	}
}

// TestStateStaysSmall: a pump's whole state is under 32 KB while it is learned and while it is watched, and not much more while a
// fault stands that nearly all charts follow.
func TestStateStaysSmall(t *testing.T) {
	most := map[string]int{"learning": 32 << 10, "watched": 32 << 10, "a fault stands": 40 << 10}
	h := newHourly(t, 4, LearnSettings{For: 600 * time.Hour})
	largest := map[string]int{}
	check := func(what string) {
		data, err := h.Snapshot()
		if err != nil {
			t.Fatal(err)
		}
		largest[what] = max(largest[what], len(data))
	}
	for n := range 900 {
		shift := h.healthy()
		what := "learning"
		if h.state.Bank != nil {
			what = "watched"
		}
		if n >= 750 {
			shift, what = h.sticking(), "a fault stands"
		}
		h.hour(shift)
		if n%10 == 0 || n == 255 {
			check(what)
		}
	}
	if h.state.Episodes.Fault == nil {
		t.Error("no fault stands")
	}
	for what, n := range largest {
		t.Logf("%s: %d bytes", what, n)
		if n > most[what] {
			t.Errorf("%s: the state is stored in %d bytes, want %d at most", what, n, most[what])
		}
	}
	if len(largest) != 3 {
		t.Errorf("not all was seen: %v", largest)
	}
}
