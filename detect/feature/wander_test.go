package feature

import "testing"

// TestWander: an epoch in which the air pressure drifts says less of rate and regularity; one in which some strokes hang does not.
func TestWander(t *testing.T) {
	errors := func(s synth) (rate, dispersion, hesitation float64) {
		chunks, _ := s.make()
		epochs, _ := build(s.settings(), chunks)
		for _, e := range epochs {
			if e.State == Running && e.Features[Dispersion].Valid {
				return e.Features[StrokeRate].SE / e.Features[StrokeRate].V, e.Features[Dispersion].SE, e.Features[Hesitation].SE
			}
		}
		t.Fatal("no epoch was formed")
		return 0, 0, 0
	}
	rate, dispersion, hesitation := errors(plain())
	pulled := plain()
	pulled.drift = -0.1 // of 5 bar, where 1 bar and what the sags add is to spare: nearly half of that goes
	r, d, h := errors(pulled)
	// The middle half of the fall spans some 0.2 to 0.34 of a logarithm; 0.6/1.349 of that is 0.09 to 0.15.
	if d < 0.07 || h < 0.07 || d > 0.15 || h > 0.15 {
		t.Errorf("errors of dispersion and hesitation %.3f and %.3f with a header pulled down, %.3f and %.3f without; want about 0.1", d, h, dispersion, hesitation)
	}
	if r < 2*rate || r > 0.02 {
		t.Errorf("relative error of the rate %.4f with a header pulled down, %.4f without; want less than 0.02 and more", r, rate)
	}
	hanging := plain()
	hanging.hesitate = 0.1
	if _, d, _ := errors(hanging); d > 3*dispersion {
		t.Errorf("error of dispersion %.3f where strokes hang, %.3f where none does", d, dispersion)
	}
}
