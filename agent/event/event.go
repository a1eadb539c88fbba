// Package event is what the agent tells the world: CloudEvents 1.0 in JSON, with data of our own types.
package event

import (
	"encoding/json"
	"time"

	"diastole/model/pump"
)

// Type is the CloudEvents type of an event.
type Type string

// The event types.
const (
	TicketOpened    Type = "diastole.ticket.opened"
	TicketUpdated   Type = "diastole.ticket.updated"
	TicketClosed    Type = "diastole.ticket.closed"
	AdvisoryOpened  Type = "diastole.advisory.opened"
	AdvisoryUpdated Type = "diastole.advisory.updated"
	AdvisoryClosed  Type = "diastole.advisory.closed"
	BaselineLearned Type = "diastole.baseline.learned"
	BaselineReset   Type = "diastole.baseline.reset"
	RebuildRecorded Type = "diastole.rebuild.recorded"
	RebuildJudged   Type = "diastole.rebuild.judged"
	Heartbeat       Type = "diastole.heartbeat"
)

// Event is a CloudEvents 1.0 event in structured mode. ID has no random part: the same finding keeps
// it over restarts and replays. Time is the time of the data.
type Event struct {
	SpecVersion     string          `json:"specversion"`
	ID              string          `json:"id"`
	Source          string          `json:"source"`
	Type            Type            `json:"type"`
	Subject         string          `json:"subject,omitempty"`
	Time            time.Time       `json:"time"`
	DataContentType string          `json:"datacontenttype"`
	Data            json.RawMessage `json:"data"`
}

// TicketState is where a ticket stands in its life.
type TicketState string

// The ticket states.
const (
	StateOpen         TicketState = "open"
	StateAcknowledged TicketState = "acknowledged"
	StateScheduled    TicketState = "scheduled"
	StateInWork       TicketState = "in-work"
	StateClosed       TicketState = "closed"
)

// Outcome is how a ticket or an advisory ended.
type Outcome string

// The outcomes. A ticket is done when the work is, and verified when the rebuilt pump has been judged good or a person has
// said so.
const (
	Done      Outcome = "done"
	Verified  Outcome = "verified"
	Rejected  Outcome = "rejected"
	Withdrawn Outcome = "withdrawn"
)

// Ticket is the data of a ticket event. A field that is not known is absent, not zero.
type Ticket struct {
	Ticket  string      `json:"ticket"`
	Pump    string      `json:"pump"`
	Serial  string      `json:"serial,omitempty"`
	Model   string      `json:"model"`
	State   TicketState `json:"state"`
	By      string      `json:"by,omitempty"`
	Outcome Outcome     `json:"outcome,omitempty"`
	// Version counts the changes that somebody who acts on the ticket should have seen: what people did, and another kit,
	// urgency or flag. An act that names an older one is refused.
	Version int64 `json:"version,omitempty"`
	// ScheduledFor is the day on which the work is planned, YYYY-MM-DD.
	ScheduledFor string `json:"scheduled_for,omitempty"`
	// Log is what people did with the ticket, the oldest first.
	Log                 []LogEntry    `json:"log,omitempty"`
	Fault               pump.Fault    `json:"fault"`
	Side                pump.Side     `json:"side"`
	Probability         float64       `json:"probability"`
	Alternatives        []Alternative `json:"alternatives,omitempty"`
	Kit                 pump.Kit      `json:"kit"`
	Bring               []pump.Kit    `json:"bring,omitempty"`
	KitNumber           string        `json:"kit_number,omitempty"`
	StrokesSinceRebuild float64       `json:"strokes_since_rebuild,omitempty"`
	Suspects            []string      `json:"suspects"`
	Urgency             pump.Urgency  `json:"urgency"`
	NE107               string        `json:"ne107"`
	ISO14224            string        `json:"iso14224"`
	Severity            float64       `json:"severity"`
	Since               time.Time     `json:"since"`
	// Flag is set where the evidence has gone since a person acknowledged the ticket.
	Flag string `json:"flag,omitempty"`
	// Note is what the person who closed the ticket found.
	Note                string     `json:"note,omitempty"`
	Remaining           *Remaining `json:"remaining,omitempty"`
	ActBy               string     `json:"act_by,omitempty"`
	AirWaste            *AirWaste  `json:"air_waste,omitempty"`
	IfNotDone           string     `json:"if_not_done"`
	Evidence            []Evidence `json:"evidence"`
	Cautions            []string   `json:"cautions"`
	ChecksBeforeOpening []string   `json:"checks_before_opening"`
}

// Remaining is how many running hours are left until the fault calls for a rebuild at once: fewer with a probability of 10, 50 and 90 %. 0 is
// now.
type Remaining struct {
	P10 float64 `json:"p10_running_hours"`
	P50 float64 `json:"p50_running_hours"`
	P90 float64 `json:"p90_running_hours"`
}

// AirWaste is the air that a fault uses for nothing, at ANR: an hour of running, and a year at the present duty with what that costs.
// PaybackDays is after how many days a rebuild has paid for itself by that alone.
type AirWaste struct {
	PerHour     float64 `json:"anr_m3_per_hour"`
	PerYear     float64 `json:"anr_m3_per_year,omitempty"`
	CostPerYear float64 `json:"cost_per_year,omitempty"`
	Currency    string  `json:"currency,omitempty"`
	PaybackDays float64 `json:"payback_days,omitempty"`
}

// Alternative is another explanation with its probability; exactly one of Fault and Cause is set.
type Alternative struct {
	Fault       pump.Fault `json:"fault,omitempty"`
	Cause       pump.Cause `json:"cause,omitempty"`
	Probability float64    `json:"probability"`
}

// Evidence is one feature that speaks for a ticket or an advisory.
type Evidence struct {
	Feature        string  `json:"feature"`
	Unit           string  `json:"unit"`
	Expected       float64 `json:"expected"`
	Observed       float64 `json:"observed"`
	DeviationSigma float64 `json:"deviation_sigma"`
	Meaning        string  `json:"meaning"`
}

// Advisory is the data of an advisory event.
type Advisory struct {
	Advisory    string     `json:"advisory"`
	Pump        string     `json:"pump"`
	Cause       pump.Cause `json:"cause"`
	Channel     string     `json:"channel,omitempty"`
	Probability float64    `json:"probability"`
	Since       time.Time  `json:"since"`
	Outcome     Outcome    `json:"outcome,omitempty"`
	Evidence    []Evidence `json:"evidence,omitempty"`
	Action      string     `json:"action"`
	// Shelved is set while a person has put the advisory aside; its changes are then told to nobody but for its end.
	Shelved *Shelf `json:"shelved,omitempty"`
}

// Baseline is the data of a baseline event. Of a reset it has only the pump, the model and the reason.
type Baseline struct {
	Pump   string    `json:"pump"`
	Model  string    `json:"model"`
	Reason string    `json:"reason,omitempty"`
	Called string    `json:"called,omitempty"` // "healthy" or "as found"
	From   time.Time `json:"from,omitzero"`
	To     time.Time `json:"to,omitzero"`
	Epochs int       `json:"epochs,omitempty"`
	// Inlet and Discharge are the ranges of operating points that were seen, Pa gauge.
	Inlet     *[2]float64 `json:"inlet_pa,omitempty"`
	Discharge *[2]float64 `json:"discharge_pa,omitempty"`
	Lacks     []string    `json:"lacks,omitempty"`
}

// Beat is the data of a heartbeat.
type Beat struct {
	Pumps    int `json:"pumps"`
	Stale    int `json:"stale"`
	Learning int `json:"learning"`
}
