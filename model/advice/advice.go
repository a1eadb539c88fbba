// Package advice turns a diagnosis into what a technician and an operator need in their hands: the kit to
// pull, the parts to suspect, how soon, what happens otherwise, and how to stay safe meanwhile.
//
// Everything here is words about pumps in general. It defers to the pump's own service manual, to local codes
// and to licensed practice, and it never states a torque.
package advice

import (
	"fmt"

	"diastole/model/pump"
)

// Advice is what to do about one fault. The caller owns its slices.
type Advice struct {
	// Kit is the kit that mends the fault; Bring are kits that should be at hand when the pump is open.
	Kit   pump.Kit
	Bring []pump.Kit
	// Suspects are the parts that may be worn, most telling first. Those that the sensors cannot tell
	// apart all stand here.
	Suspects []string
	Urgency  pump.Urgency
	NE107    Status
	// ISO14224 is a failure-mode code of ISO 14224:2016, Table B.6, class PU (pumps).
	ISO14224 string
	// IfNotDone says what comes of waiting.
	IfNotDone string
	// Cautions come before any work, in the order in which they are needed.
	Cautions []string
	// Checks can be done before the pump is opened; they confirm the suspicion or save a needless rebuild.
	Checks []Check
}

// Status is a status signal of NAMUR NE 107:2017, in the words that events use.
type Status string

// The status signals, from most to least severe. FunctionCheck means work in progress.
const (
	Failure             Status = "failure"
	FunctionCheck       Status = "function-check"
	OutOfSpecification  Status = "out-of-specification"
	MaintenanceRequired Status = "maintenance-required"
)

// Check is one thing to look at before the pump is opened.
type Check struct {
	// Do says what to do.
	Do string
	// Record names the reading to write down; empty where there is nothing to write.
	Record string
	// Means says what the outcome tells.
	Means string
}

// String is the check in one line, without the reading's name.
func (c Check) String() string { return c.Do + " " + c.Means }

// For advises on a fault. Side is the stroke that the fault shortens or disturbs; severity is its size, where
// 1 calls for a rebuild now (a severity that is not a number counts as 1); sudden tells that the change came
// within minutes and not by wear. A fault that is not one of pump.Faults is a programmer's error and panics.
func For(f pump.Fault, side pump.Side, severity float64, sudden bool) Advice {
	r, known := rules[f]
	if !known {
		panic(fmt.Sprintf("advice: fault %q is not known; there are %v", f, pump.Faults()))
	}
	return Advice{
		Kit:       r.kit,
		Bring:     clone(r.bring),
		Suspects:  r.suspects(side),
		Urgency:   urgency(f, severity),
		NE107:     status(f, severity),
		ISO14224:  r.iso14224,
		IfNotDone: r.ifNotDone,
		Cautions:  cautions(f),
		Checks:    checks(f, sudden),
	}
}

// urgency follows from the size; a torn diaphragm lets product out, so the pump stops whatever the size.
func urgency(f pump.Fault, severity float64) pump.Urgency {
	switch {
	case f == pump.DiaphragmRupture:
		return pump.Stop
	case severity < 1:
		return pump.Planned
	default: // also a severity that is not a number
		return pump.Soon
	}
}

// status reads NE 107 for a pump: failure where it must not run on, out of specification where it no longer
// does its job as it should, maintenance required while the job is still done but the wear reserve is nearly used.
func status(f pump.Fault, severity float64) Status {
	switch urgency(f, severity) {
	case pump.Stop:
		return Failure
	case pump.Soon:
		return OutOfSpecification
	default:
		return MaintenanceRequired
	}
}

// clone copies a slice, so that no caller can change the shared tables.
func clone[T any](s []T) []T { return append([]T(nil), s...) }
