package detect

import (
	"cmp"
	"math"
	"slices"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/model/pump"

	"gonum.org/v1/gonum/stat/distuv"
)

// omnibusShare is the part of the budget that the omnibus chart takes. Its limit hardly depends on it: half as many false
// alarms cost it some three hundredths.
const omnibusShare = 0.1

// baffling is for how many looks in a row nothing known must explain an alarm before it is told: a day.
const baffling = int(24 * time.Hour / chart.LookEvery)

// judgeOmnibus follows the change that nothing explains, after a look of the omnibus chart. It is told once the chart has stood in
// alarm for a number of looks in which no known fault or cause of any size accounted for what it shows, and it is over when the
// chart says so, or when an explanation is told.
func (e *episodes) judgeOmnibus(b *diagnose.Bank, c *chart.Omnibus, at time.Time, o baseline.Observation) []Finding {
	i := slices.IndexFunc(e.Causes, func(x episode) bool { return x.Told.Cause == pump.UnexplainedChange })
	told := e.Fault != nil || slices.ContainsFunc(e.Causes, func(x episode) bool {
		return x.Told.Cause != pump.UnexplainedChange && !isState(x.Told.Cause) && !isSignalled(x.Told.Cause)
	})
	if c.Last.Alarm && !told {
		if i >= 0 {
			return nil
		}
		if b.Explains(c) {
			e.Unknown = 0
			return nil
		}
		if e.Unknown++; e.Unknown < baffling {
			return nil
		}
		x := episode{Key: key(string(pump.UnexplainedChange), c.Quiet), Told: diagnose.Diagnosis{
			Likelihood: diagnose.Likelihood{Cause: pump.UnexplainedChange, Side: pump.SideUnknown, Probability: surprise(c.Last)},
			Since:      c.Quiet, Statistic: c.Last.T2, Threshold: c.Limit, Evidence: contributions(b.Healthy, c, o),
		}}
		e.Causes = append(e.Causes, x)
		return []Finding{x.finding(CauseRaised, at)}
	}
	e.Unknown = 0
	if i < 0 {
		return nil
	}
	x := e.Causes[i]
	e.Causes = slices.Delete(e.Causes, i, i+1)
	return []Finding{x.finding(CauseCleared, at)}
}

// surprise is how probable it is that a healthy pump shows less than this at one look.
func surprise(l chart.Look) float64 {
	return distuv.ChiSquared{K: float64(max(1, l.Features))}.CDF(l.T2)
}

// contributions lists the features that make most of the statistic, until they make nine tenths of it, the largest
// contribution first.
func contributions(h *baseline.Healthy, c *chart.Omnibus, o baseline.Observation) []diagnose.Evidence {
	mean, _ := h.Expect(o.Op)
	order := make([]feature.ID, 0, feature.NumFeatures)
	for f := range feature.NumFeatures {
		if c.Last.Share[f] > 0 {
			order = append(order, f)
		}
	}
	slices.SortStableFunc(order, func(x, y feature.ID) int { return cmp.Compare(c.Last.Share[y], c.Last.Share[x]) })
	var out []diagnose.Evidence
	const enough = 0.9
	sum := 0.0
	for _, f := range order {
		if sum >= enough*c.Last.T2 {
			break
		}
		sum += c.Last.Share[f]
		out = append(out, diagnose.Evidence{
			Feature: f, Expected: baseline.Natural(f, mean[f]), Observed: baseline.Natural(f, mean[f]+c.Level[f]),
			Sigma: math.Copysign(math.Sqrt(c.Last.Share[f]), c.Level[f]),
		})
	}
	return out
}
