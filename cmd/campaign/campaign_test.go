package main

import (
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"diastole/detect/feature"
)

// TestSimulateIsFixedBySeed checks that the same case gives the same epochs, that another one does not, and that the pump
// runs at an ordinary duty.
func TestSimulateIsFixedBySeed(t *testing.T) {
	played := func(n int) *trial {
		c := newTrial(kinds[1], 7, n)
		if err := c.simulate(4); err != nil {
			t.Fatal(err)
		}
		return c
	}
	a, again, b := played(0), played(0), played(1)
	if d := cmp.Diff(a.record, again.record); d != "" {
		t.Errorf("the same case twice differs:\n%s", d)
	}
	if cmp.Equal(a.record, b.record) {
		t.Error("two cases are the same")
	}
	if err := b.judge(); err != nil {
		t.Fatal(err)
	}
	if n := b.states[feature.Running]; n < 3 {
		t.Errorf("of 4 bursts %d show a running pump", n)
	}
}

// TestCourses checks that nothing is wrong while the healthy pump is learned, that what grows only grows, and that what passes
// has passed.
func TestCourses(t *testing.T) {
	for _, c := range []course{still, grows, steps, either, passes} {
		for seed := range uint64(20) {
			size := c.of(rand.New(rand.NewPCG(seed, 1)))
			before, top := 0.0, 0.0
			for hour := range days * 24 {
				x := size(float64(hour) / 24)
				if float64(hour) < learn.Hours()+24 && x != 0 {
					t.Fatalf("course %d, seed %d: size %g in hour %d", c, seed, x, hour)
				}
				if x < before && c != passes {
					t.Fatalf("course %d, seed %d: shrinks in hour %d", c, seed, hour)
				}
				before, top = x, max(top, x)
			}
			if c != still && top < 1 || c == passes && before != 0 {
				t.Errorf("course %d, seed %d: reaches %g and ends at %g", c, seed, top, before)
			}
		}
	}
}

// TestKindsDoSomething checks that each kind changes the pump, and the more the larger the size.
func TestKindsDoSomething(t *testing.T) {
	for _, k := range kinds {
		st, err := drawStation(&k, rand.New(rand.NewPCG(3, 3)))
		if err != nil {
			t.Fatal(err)
		}
		of := func(size float64) setup {
			s := setup{params: st.params, process: st.process}
			if k.apply != nil {
				k.apply(&s, size, rand.New(rand.NewPCG(5, 5)))
			}
			return s
		}
		same := cmp.Equal(of(0.5), of(1), cmp.AllowUnexported(setup{}))
		if same != (k.course == still) {
			t.Errorf("%s: sizes 0.5 and 1 do the same: %v", k.name, same)
		}
	}
}
