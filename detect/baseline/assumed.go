package baseline

import (
	"diastole/detect/feature"
	"diastole/model/pump"
)

// Assumed is the healthy pump of a model before anything of it was learned, as far as its noise goes: the usual spread of regime offsets and the
// usual noise of an epoch, for the features that are known.
func Assumed(m pump.Model, known [Dim]bool) *Healthy {
	h := &Healthy{Known: known}
	for j, p := range priorsOf(m) {
		h.Coef[j] = Coef{Mean: p.mean, Spread: p.offset, Noise: p.noise}
	}
	return h
}

// Relative tells that the coordinate of feature f is a logarithm: a change of it is a share of the feature's value.
func Relative(f feature.ID) bool { return scale[f].log }
