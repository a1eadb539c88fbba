package chart

import (
	"math"

	"diastole/detect/baseline"

	"gonum.org/v1/gonum/stat/distuv"
)

// Measure makes a measurement of an observation, without the probabilities of what may have happened unseen.
func Measure(h *baseline.Healthy, o baseline.Observation) Measurement {
	mean, offsetVar := h.Expect(o.Op)
	m := Measurement{Var: h.NoiseVar(o), OffsetVar: offsetVar}
	mirrored := o.Mirrored()
	for j := range dim {
		m.Dev[j], m.Mirrored[j] = o.Val[j]-mean[j], mirrored.Val[j]-mean[j]
		m.Has[j] = o.Has[j] && h.Known[j]
	}
	return m
}

// noiseOf learns from the epochs of the learning stretch what a filter cannot take for an offset: how the noise of an epoch is correlated with
// that of the epoch before and among the features, both as far as so few epochs can show, and by how much its variance may be larger than it
// seems.
//
// The correlation among features is shrunk towards none by the weight of least expected error (Schaefer and Strimmer 2005,
// Stat. Appl. Genet. Mol. Biol. 4:32). The other two are upper limits, so that a short stretch costs delay and not false alarms: the
// correlation from epoch to epoch by one standard error (Bartlett 1946, Suppl. J. R. Stat. Soc. 8:27), the
// variance at 95 % confidence.
func noiseOf(h *baseline.Healthy, samples []baseline.Sample) (carry baseline.Vector, among [dim][dim]float64, widen float64) {
	z, has := innovations(h, samples)
	most := 2.0
	for j := range dim {
		among[j][j] = 1
		before, product, square, pairs := 0.0, 0.0, 0.0, 0.0
		n, seen := 0.0, false
		for i := range z {
			if !has[i][j] {
				seen = false
				continue
			}
			n++
			square += z[i][j] * z[i][j]
			if seen {
				product += before * z[i][j]
				pairs++
			}
			before, seen = z[i][j], true
		}
		most = max(most, n)
		if pairs > 1 && square > 0 {
			carry[j] = min(0.95, max(0, product/square*n/pairs+1/math.Sqrt(pairs)))
		}
	}
	shrink(z, has, &among)
	return carry, among, most / distuv.ChiSquared{K: most}.Quantile(0.05)
}

// innovations are the standardised one-step errors over the learning stretch of a filter that takes what lasts for the offset of a
// regime, outliers drawn in.
func innovations(h *baseline.Healthy, samples []baseline.Sample) (z []baseline.Vector, has [][dim]bool) {
	var x, p baseline.Vector // mean and variance of the offset
	for i, s := range samples {
		m := Measure(h, s.Obs)
		keep := 0.0
		if i > 0 {
			keep = baseline.Keep(samples[i-1].Obs.Op, s.Obs.Op, s.At.Sub(samples[i-1].At))
		}
		same, other := 0.0, 0.0
		var v baseline.Vector
		for j := range dim {
			x[j] *= keep
			p[j] = keep*keep*p[j] + (1-keep*keep)*m.OffsetVar[j]
			v[j] = p[j] + m.Var[j]
			if m.Has[j] {
				same += (m.Dev[j] - x[j]) * (m.Dev[j] - x[j]) / v[j]
				other += (m.Mirrored[j] - x[j]) * (m.Mirrored[j] - x[j]) / v[j]
			}
		}
		dev := m.Dev
		if s.Obs.SignFree && other < same {
			dev = m.Mirrored
		}
		var off baseline.Vector
		for j := range dim {
			if !m.Has[j] {
				continue
			}
			sd := math.Sqrt(v[j])
			off[j] = min(clip, max(-clip, (dev[j]-x[j])/sd))
			x[j] += p[j] / sd * off[j]
			p[j] *= 1 - p[j]/v[j]
		}
		z, has = append(z, off), append(has, m.Has)
	}
	return z, has
}

// shrink writes the shrunk correlations among features beside the diagonal. What an epoch lacks counts as no deviation, so that the
// matrix stays positive definite.
func shrink(z []baseline.Vector, has [][dim]bool, among *[dim][dim]float64) {
	doubt, square := 0.0, 0.0
	for j := range dim {
		for k := range j {
			sjj, skk, sjk, n := 0.0, 0.0, 0.0, 0.0
			for i := range z {
				sjj += z[i][j] * z[i][j]
				skk += z[i][k] * z[i][k]
				sjk += z[i][j] * z[i][k]
				if has[i][j] && has[i][k] {
					n++
				}
			}
			if n < 4 || sjj == 0 || skk == 0 {
				continue
			}
			r := sjk / math.Sqrt(sjj*skk)
			among[j][k], among[k][j] = r, r
			doubt += (1 - r*r) * (1 - r*r) / (n - 1)
			square += r * r
		}
	}
	keep := 0.0
	if square > 0 {
		keep = max(0, 1-doubt/square)
	}
	for j := range dim {
		for k := range dim {
			if j != k {
				among[j][k] *= keep
			}
		}
	}
}
