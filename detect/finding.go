// Package detect watches one pump: samples in, findings out. It is pure: no I/O, no clock, no
// goroutine, no logger; time comes only from the data, so live, replay and test are the same.
package detect

import (
	"time"

	"diastole/detect/accept"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/prognose"
)

// Kind is what a finding reports.
type Kind string

// The kinds of finding.
const (
	// EpochDone carries a finished epoch.
	EpochDone Kind = "epoch"
	// BaselineLearned tells that the healthy pump is known.
	BaselineLearned Kind = "baseline-learned"
	// FaultRaised, FaultChanged and FaultCleared follow one fault of the pump.
	FaultRaised  Kind = "fault-raised"
	FaultChanged Kind = "fault-changed"
	FaultCleared Kind = "fault-cleared"
	// FaultWorn tells anew how the fault that stands has grown.
	FaultWorn Kind = "fault-worn"
	// CauseRaised, CauseChanged and CauseCleared follow one cause outside the pump.
	CauseRaised  Kind = "cause-raised"
	CauseChanged Kind = "cause-changed"
	CauseCleared Kind = "cause-cleared"
	// RebuildJudged carries a verdict on the last rebuild.
	RebuildJudged Kind = "rebuild-judged"
)

// Finding is one thing that the monitor found out, at a time of the data.
type Finding struct {
	Kind Kind      `json:"kind"`
	Time time.Time `json:"time"`
	// Key names the fault or cause episode that a finding belongs to; it is the same in every replay
	// of the same data, and over restarts.
	Key       string              `json:"key,omitempty"`
	Epoch     *feature.Epoch      `json:"epoch,omitempty"`
	Diagnosis *diagnose.Diagnosis `json:"diagnosis,omitempty"`
	Baseline  *BaselineSummary    `json:"baseline,omitempty"`
	Verdict   *accept.Verdict     `json:"verdict,omitempty"`
	// Wear is how the fault has grown, of FaultRaised, FaultChanged and FaultWorn.
	Wear *prognose.Wear `json:"wear,omitempty"`
	// StrokesRun is the number of strokes seen since the baseline began.
	StrokesRun float64 `json:"strokes_run"`
}

// BaselineSummary says in numbers and words what the healthy pump was learned from.
type BaselineSummary struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Epochs int       `json:"epochs"`
	// InletMin to DischargeMax bound the operating points that were seen, Pa gauge.
	InletMin     float64 `json:"inlet_min"`
	InletMax     float64 `json:"inlet_max"`
	DischargeMin float64 `json:"discharge_min"`
	DischargeMax float64 `json:"discharge_max"`
	// Lacks are the things the learning stretch did not show, in words.
	Lacks []string `json:"lacks,omitempty"`
	// AsFound is true where the pump was not known to be in good order when learning began.
	AsFound bool `json:"as_found"`
}
