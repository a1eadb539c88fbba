// Package diagnose weighs what could explain a change of a pump: each fault and each outside cause,
// with its size, against the healthy pump.
package diagnose

import (
	"time"

	"diastole/detect/feature"
	"diastole/detect/sensor"
	"diastole/model/pump"
)

// Evidence is one feature that speaks for a diagnosis, in the feature's own unit.
type Evidence struct {
	Feature feature.ID `json:"feature"`
	// Expected is what the healthy pump would show at this operating point, Observed what was seen.
	Expected float64 `json:"expected"`
	Observed float64 `json:"observed"`
	// Sigma is the deviation in standard deviations of the expectation, signed.
	Sigma float64 `json:"sigma"`
}

// Likelihood is one explanation with its posterior probability.
type Likelihood struct {
	Fault       pump.Fault `json:"fault,omitempty"`
	Cause       pump.Cause `json:"cause,omitempty"`
	Side        pump.Side  `json:"side,omitempty"`
	Probability float64    `json:"probability"`
}

// Diagnosis is the best explanation of a change, either a fault or a cause, and what speaks for it.
type Diagnosis struct {
	Likelihood
	// Channel is the channel of a sensor fault, empty otherwise.
	Channel string `json:"channel,omitempty"`
	// Sensor is what is wrong with it, of a fault that its samples show.
	Sensor *sensor.Fault `json:"sensor,omitempty"`
	// Alternatives are the other explanations, most probable first.
	Alternatives []Likelihood `json:"alternatives,omitempty"`
	// Severity is the size of the fault where 1 calls for a rebuild now, SeveritySE its standard error.
	Severity   float64 `json:"severity"`
	SeveritySE float64 `json:"severity_se"`
	// Since is the estimated time of the change.
	Since time.Time `json:"since"`
	// Statistic is the log-likelihood ratio against the best explanation without a fault, Threshold
	// the value that the false-ticket budget asks for.
	Statistic float64    `json:"statistic"`
	Threshold float64    `json:"threshold"`
	Evidence  []Evidence `json:"evidence,omitempty"`
	// Creep is the last stall in which the pump crept, where that speaks for the diagnosis.
	Creep *Creep `json:"creep,omitempty"`
}

// Creep is that a pump made strokes against a shut valve.
type Creep struct {
	// Rate is how many it made, Usual how many it makes in ordinary running, 1/s.
	Rate, Usual float64
	// Sigma is the weight of all recent stalls, in standard deviations of a normal variable that would weigh as much.
	Sigma float64
}
