package baseline

import (
	"math"

	"diastole/detect/feature"
	"diastole/model/pump"
)

// Generic is what is believed of a pump of the model before anything of it was seen: every level within what makers build, the two
// strokes within what healthy pumps differ.
func Generic(m pump.Model) *Healthy {
	h := &Healthy{}
	for j, p := range priorsOf(m) {
		c := &h.Coef[j]
		c.Mean, c.Spread, c.Noise = p.mean, p.offset, p.noise
		for i := range NumBasis {
			c.Cov[i][i] = p.sd[i] * p.sd[i]
		}
		h.Known[j] = true
	}
	return h
}

// refit is how far a rebuild moves the level of a coordinate of the same pump, one standard deviation (common practice: new
// seals and diaphragms make a pump a few per cent slower or faster). Slopes come from the build and hardly move.
var refit = Vector{
	feature.StrokeRate: 0.04, feature.Asymmetry: 0.015, feature.Dispersion: 0.4, feature.Hesitation: 0.4, feature.Ripple: 0.1,
	feature.RippleAsymmetry: 0.04, feature.DipDepth: 0.1, feature.DipWidth: 0.15, feature.AirPerStroke: 0.04,
	feature.Dwell: 0.04, feature.DwellAsymmetry: 0.015,
}

// slopeShare is how much of a slope's own prior spread a rebuild leaves open.
const slopeShare = 0.2

// after narrows the priors of a rebuilt pump to what the best that it has been says, coordinate by coordinate where that is
// known. They never get wider.
func after(best *Healthy, priors [Dim]prior) [Dim]prior {
	for j := range priors {
		if !best.Known[j] {
			continue
		}
		p, c := &priors[j], &best.Coef[j]
		for i := range NumBasis {
			moved := slopeShare * p.sd[i]
			if i == 0 {
				moved = refit[j]
			}
			if sd := math.Sqrt(c.Cov[i][i] + moved*moved); sd < p.sd[i] {
				p.mean[i], p.sd[i] = c.Mean[i], sd
			}
		}
	}
	return priors
}
