package chart

import (
	"math"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart/runlength"
)

// Findable is the smallest change of one coordinate, in coordinates, that the likelihood ratio of a known direction finds within a time on
// average: the offset of a regime and the noise of epochs that come every so often must be told from it. shift is Tuned of the threshold.
//
// The time is cut into parts. Their means are taken as independent, with a variance that gives the mean over the whole time its true
// variance, which is that of an Ornstein-Uhlenbeck offset and of independent epochs.
func Findable(c *baseline.Coef, shift float64, every, within time.Duration) float64 {
	epochs := max(1, float64(within)/float64(every))
	return shift * math.Sqrt(parts*(c.Spread*c.Spread*lasting(within)+c.Noise*c.Noise/epochs))
}

// parts is what a time is cut into; more of them change little but the overshoot.
const parts = 24

// Tuned is the shift, in standard deviations of an observation, at which the CUSUM of its log-likelihood ratio exceeds the threshold after
// as many observations as a time has parts, on average. The ratio's increment is shift*x - shift^2/2, so that it is a CUSUM with k = shift/2
// and h = threshold/shift.
func Tuned(threshold float64) float64 {
	low, high := 0.1, 2*math.Sqrt(2*threshold)
	for high-low > 1e-3 {
		d := (low + high) / 2
		if runlength.CUSUM(d/2, threshold/d, d) > parts {
			low = d
		} else {
			high = d
		}
	}
	return high
}

// FindableByAll is the smallest change of one coordinate of p that takes the omnibus chart's mean T2 to its limit within a time.
func FindableByAll(c *baseline.Coef, limit float64, p int, every, within time.Duration) float64 {
	w := weightAfter(every)
	fade := float64(memory) / float64(regime)
	healthy := c.Spread*c.Spread/(1+fade) + c.Noise*c.Noise*w/(2-w)
	reached := -math.Expm1(-float64(within) / float64(memory))
	return math.Sqrt(max(0, limit-float64(p-1))*healthy) / reached
}

// regime is the time constant of a regime's offset at an operating point that stays.
var regime = time.Duration(-float64(time.Hour) / math.Log(baseline.Keep(baseline.Op{}, baseline.Op{}, time.Hour)))

// lasting is the variance of the mean of a regime's offset over a time, as a share of the offset's variance: that of an
// Ornstein-Uhlenbeck process.
func lasting(within time.Duration) float64 {
	r := float64(within) / float64(regime)
	return 2 / r * (1 + math.Expm1(-r)/r)
}
