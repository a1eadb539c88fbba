package config

import (
	"testing"

	"pgregory.net/rapid"
)

func TestClosest(t *testing.T) {
	for _, c := range []struct {
		got     string
		allowed []string
		want    string
	}{
		{"brokre", []string{"broker", "listen"}, "broker"},
		{"BAR", pressure.codes(), "bar"},
		{"psig", pressure.codes(), "psi"},
		{"learnstrokes", []string{"learn", "learn_strokes"}, "learn_strokes"},
		{"colour", []string{"broker", "listen"}, ""},
		{"", []string{"Pa"}, ""},
	} {
		if got := closest(c.got, c.allowed); got != c.want {
			t.Errorf("%q: got %q, want %q", c.got, got, c.want)
		}
	}
}

// The worked examples of the distance: kitten to sitting is 3 (Wagner and Fischer's measure, as textbooks
// show it); CA to ABC is 3 for optimal string alignment, where the unrestricted distance is 2.
func TestEditDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"CA", "ABC", 3}, {"ab", "ba", 1}, {"", "abc", 3}, {"abc", "abc", 0}} {
		if got := editDistance(c.a, c.b); got != c.want {
			t.Errorf("%q to %q: got %d, want %d", c.a, c.b, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.StringN(0, 8, 12).Draw(t, "a"), rapid.StringN(0, 8, 12).Draw(t, "b")
		d := editDistance(a, b)
		if d != editDistance(b, a) || (d == 0) != (a == b) || d > max(len(a), len(b)) {
			t.Fatalf("%q to %q is %d", a, b, d)
		}
	})
}
