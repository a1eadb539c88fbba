package baseline

import (
	"math"

	"diastole/detect/feature"
	"diastole/model/pump"
)

// prior is what is believed of one coordinate before a sample of this pump has been seen.
type prior struct {
	// mean and sd are those of the basis coefficients (Op.Basis).
	mean, sd [NumBasis]float64
	// offset is the usual standard deviation of a regime's offset, noise that of one epoch beyond the standard
	// error of the feature itself.
	offset, noise float64
}

// priorsOf gives the priors for a pump of this model. Levels are wide: makers differ twofold, piping more.
// Slopes say how far a healthy pump of any make bends with head and air; they matter where the pump is run
// outside of what it was learned from.
func priorsOf(m pump.Model) [Dim]prior {
	midRate := math.Log(0.45 * 2 * m.MaxCycleRate)
	air := math.Log(1.3 * m.StrokeVolume)
	return [Dim]prior{
		feature.StrokeRate:      {[4]float64{midRate, 0.6, 0, 0.5}, [4]float64{0.7, 0.25, 0.12, 0.4}, 0.02, 0.01},
		feature.Asymmetry:       {[4]float64{}, [4]float64{0.03, 0.01, 0.005, 0.02}, 0.01, 0.003},
		feature.Dispersion:      {[4]float64{-4.2, 0, 0, 0}, [4]float64{0.7, 0.2, 0.1, 0.3}, 0.15, 0.15},
		feature.Hesitation:      {[4]float64{-3.6, 0, 0, 0}, [4]float64{0.7, 0.2, 0.1, 0.3}, 0.15, 0.25},
		feature.Ripple:          {[4]float64{-1.6, 0.5, 0, 0}, [4]float64{1.5, 0.4, 0.2, 0.5}, 0.06, 0.02},
		feature.RippleAsymmetry: {[4]float64{}, [4]float64{0.05, 0.03, 0.01, 0.05}, 0.02, 0.01},
		feature.DipDepth:        {[4]float64{-2.8, 0, 0, 0}, [4]float64{1, 0.3, 0.1, 0.5}, 0.05, 0.03},
		feature.DipWidth:        {[4]float64{-3.3, 0, 0, 0}, [4]float64{0.8, 0.3, 0.1, 0.4}, 0.05, 0.05},
		feature.AirPerStroke:    {[4]float64{air, 0, -0.02, 0}, [4]float64{0.7, 0.04, 0.04, 0.06}, 0.01, 0.005},
		feature.Dwell:           {[4]float64{}, [4]float64{0.2, 0.05, 0.02, 0.05}, 0.01, 0.005},
		feature.DwellAsymmetry:  {[4]float64{}, [4]float64{0.03, 0.01, 0.005, 0.02}, 0.005, 0.003},
	}
}
