package diagnose

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/detect/baseline"
)

// follow makes a course of epochs of a minute, one an hour, whose first coordinate grows by 0.001 each; a counter tells 1000 strokes an hour, of
// which 110 are seen.
func follow(hours int) (c Course) {
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	for i := range hours {
		b := Bank{At: begin.Add(time.Duration(i) * time.Hour)}
		for range window {
			r := Recent{}
			r.Dev[0], r.Has[0] = 0.001*float64(i), true
			b.Recent = append(b.Recent, r)
		}
		b.Follow(&c, 1000*float64(i), 60, 110)
	}
	return c
}

// TestCourseIsFineOfLate: its size is bounded, nothing is lost from its sums, the last hours are kept one by one, and the past is there.
func TestCourseIsFineOfLate(t *testing.T) {
	const hours = 5000
	c := follow(hours)
	if len(c.Stretches) > longest {
		t.Errorf("%d stretches", len(c.Stretches))
	}
	var epochs uint32
	recent := 0
	for i, s := range c.Stretches {
		epochs += s.Epochs
		if s.Epochs == 1 {
			recent++
		}
		if i > 0 && s.From <= c.Stretches[i-1].To {
			t.Errorf("stretch %d begins before the one before it ends", i)
		}
		// The mean of a straight line is its middle; strokes are those at the end.
		last := s.Strokes / 1000
		if want := 0.001 * (last - float64(s.Epochs-1)/2); math.Abs(float64(s.Dev[0])-want) > 1e-4 {
			t.Errorf("stretch %d: mean %v, want %v", i, s.Dev[0], want)
		}
	}
	if epochs != hours || recent < 3 {
		t.Errorf("%d epochs, %d of them by themselves", epochs, recent)
	}
	if first := c.Stretches[0]; time.Duration(first.To-first.From) > hours*time.Hour/4 {
		t.Errorf("the first stretch is %s long", time.Duration(first.To-first.From))
	}
}

// TestDuty: 110 strokes in a minute of running, 24 000 a day by the counter.
func TestDuty(t *testing.T) {
	c := follow(400)
	running, calendar := c.Duty()
	if math.Abs(running-110.0/60) > 1e-4 || math.Abs(calendar*86400-24000) > 1 {
		t.Errorf("%v strokes a second running, %v a day", running, calendar*86400)
	}
	if r, k := (&Course{}).Duty(); r != 0 || k != 0 {
		t.Errorf("%v %v of nothing", r, k)
	}
}

// TestCourseSurvivesStorage bit for bit, and what is damaged is told.
func TestCourseSurvivesStorage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c Course
		for range rapid.IntRange(0, longest).Draw(t, "stretches") {
			s := Stretch{
				From: rapid.Int64().Draw(t, "from"), To: rapid.Int64().Draw(t, "to"), Strokes: rapid.Float64().Draw(t, "strokes"),
				Run: rapid.Float32().Draw(t, "run"), Epochs: rapid.Uint32().Draw(t, "epochs"), Has: rapid.Uint32Range(0, 1<<baseline.Dim-1).Draw(t, "has"),
			}
			for j := range baseline.Dim {
				if s.Has>>j&1 == 1 {
					s.Dev[j] = rapid.Float32().Draw(t, "deviation")
				}
			}
			c.Stretches = append(c.Stretches, s)
		}
		data, err := c.GobEncode()
		if err != nil {
			t.Fatal(err)
		}
		var back Course
		if err := back.GobDecode(data); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(c, back); d != "" {
			t.Error(d)
		}
		if len(data) > 0 {
			if err := back.GobDecode(data[:len(data)-1]); err == nil {
				t.Error("a course that is cut off is read")
			}
		}
	})
}

// FuzzCourse: no bytes make it panic, and what it reads it writes again alike.
func FuzzCourse(f *testing.F) {
	data, err := follow(100).GobEncode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		var c Course
		if c.GobDecode(data) != nil {
			return
		}
		if again, err := c.GobEncode(); err != nil || string(again) != string(data) {
			t.Errorf("%v; %x is written as %x", err, data, again)
		}
	})
}
