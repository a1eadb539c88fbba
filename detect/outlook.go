package detect

import (
	"time"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
)

// Outlook is what a pump's charts can be expected to do: how often they are wrong, and what they find how soon.
type Outlook struct {
	// Every is the time from one epoch to the next.
	Every time.Duration
	// Learned tells that the noise is the pump's own, else it is that assumed of a pump of its model.
	Learned bool
	// Ticket is the threshold of a fault against the healthy pump, Margin that against the best cause outside the pump, both
	// log-likelihood ratios; Change is the limit of the omnibus chart, a T2. They are 0 where no feature can be formed.
	Ticket, Margin, Change float64
	// FalseTickets and FalseChanges are the most false tickets and needless advisories a year.
	FalseTickets, FalseChanges float64
	Findable                   []Findable
}

// Findable is the smallest lasting change of one feature that is found within a time on average, in coordinates: a share of the
// feature's value where Relative is true, else its own unit.
type Findable struct {
	Feature  feature.ID
	Relative bool
	// Ticket are the changes that the chart of a fault finds within a day, a week and a month of 30 days, Change those that the omnibus
	// chart does.
	Ticket, Change [3]float64
}

// Horizons are the times of Findable.
var Horizons = [3]time.Duration{24 * time.Hour, 7 * 24 * time.Hour, 30 * 24 * time.Hour}

const year = time.Duration(365.25 * 24 * float64(time.Hour))

// Expect is the outlook of a pump of which nothing is learned yet and that brings an epoch every so often.
func Expect(s Settings, every time.Duration) Outlook {
	return outlook(s, baseline.Assumed(s.Model, featuresOf(s.Channels)), every)
}

// Outlook is that of the pump as it was learned, at the pace of the learning stretch. It reports false while learning.
func (m *Monitor) Outlook() (Outlook, bool) {
	if m.state.Bank == nil || m.state.Summary == nil || m.state.Summary.Epochs == 0 {
		return Outlook{}, false
	}
	s := m.state.Summary
	o := outlook(m.settings, m.state.Bank.Healthy, s.To.Sub(s.From)/time.Duration(s.Epochs))
	o.Learned = true
	return o, true
}

func outlook(s Settings, h *baseline.Healthy, every time.Duration) Outlook {
	o := Outlook{
		Every:        every,
		FalseTickets: (1 - omnibusShare) * s.FalseTicketsPerYear, FalseChanges: omnibusShare * s.FalseTicketsPerYear,
	}
	known := 0
	for _, k := range h.Known {
		if k {
			known++
		}
	}
	if known == 0 {
		return o
	}
	perYear := float64(year) / float64(every)
	b := diagnose.NewBank(h, s.Hypotheses, perYear, o.FalseTickets)
	o.Ticket, o.Margin, o.Change = b.Threshold, b.Margin, chart.OmnibusLimit(known, perYear, o.FalseChanges)
	shift := chart.Tuned(o.Ticket)
	for f := range feature.NumFeatures {
		if !h.Known[f] {
			continue
		}
		x := Findable{Feature: f, Relative: baseline.Relative(f)}
		for i, within := range Horizons {
			x.Ticket[i] = chart.Findable(&h.Coef[f], shift, every, within)
			x.Change[i] = chart.FindableByAll(&h.Coef[f], o.Change, known, every, within)
		}
		o.Findable = append(o.Findable, x)
	}
	return o
}
