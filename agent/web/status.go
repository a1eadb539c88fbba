package web

import (
	"diastole/agent/event"
	"diastole/detect/feature"
)

// Status is the agent's judgement of a pump: one of the four status signals of NAMUR NE 107, good, or
// that nothing can be judged for want of data.
type Status string

// The judgements, from most to least pressing. NE 107 ranks failure, function check, out of
// specification, maintenance required.
const (
	Failure             Status = "failure"
	FunctionCheck       Status = "function-check"
	OutOfSpecification  Status = "out-of-specification"
	MaintenanceRequired Status = "maintenance-required"
	NoData              Status = "no-data"
	Good                Status = "good"
)

// statuses lists them in the order in which they are counted on the page.
var statuses = []Status{Failure, OutOfSpecification, MaintenanceRequired, FunctionCheck, NoData, Good}

// judge condenses what is known of a pump into one status. A ticket outlasts everything else, also
// silence: the pump still wants its kit.
func judge(p PumpView, open []event.Ticket) Status {
	if worst := worstTicket(p.ID, open); worst != "" {
		return worst
	}
	switch {
	case p.Stale || p.LastData.IsZero():
		return NoData
	case p.State == feature.NotStroking || p.State == feature.Dry || len(p.Advisories) > 0:
		return OutOfSpecification
	case p.Learning != "":
		return FunctionCheck // the judgement is not valid while the baseline is being learned
	}
	return Good
}

// worstTicket is the most pressing NE 107 signal among the pump's open tickets, or empty. A ticket
// whose signal is none of the four still requires maintenance.
func worstTicket(pump string, open []event.Ticket) Status {
	rank := map[Status]int{Failure: 4, FunctionCheck: 3, OutOfSpecification: 2, MaintenanceRequired: 1}
	worst := Status("")
	for _, t := range open {
		if t.Pump != pump {
			continue
		}
		signal := ticketStatus(t)
		if rank[signal] > rank[worst] {
			worst = signal
		}
	}
	return worst
}

func ticketStatus(t event.Ticket) Status {
	switch s := Status(t.NE107); s {
	case Failure, FunctionCheck, OutOfSpecification:
		return s
	}
	return MaintenanceRequired
}
