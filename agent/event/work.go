package event

import (
	"time"

	"diastole/model/pump"
)

// Deed is what a person does with a ticket.
type Deed string

// The deeds.
const (
	Acknowledge Deed = "acknowledge"
	Schedule    Deed = "schedule"
	Begin       Deed = "start"
	Comment     Deed = "comment"
	Close       Deed = "close"
	Verify      Deed = "verify"
	// Reopen is the agent's own: the pump of a ticket that was done is not as it should be.
	Reopen Deed = "reopen"
)

// Deeds lists them all.
func Deeds() []Deed { return []Deed{Acknowledge, Schedule, Begin, Comment, Close, Verify, Reopen} }

// LogEntry is one thing that was done with a ticket.
type LogEntry struct {
	Time time.Time `json:"time"`
	By   string    `json:"by"`
	Did  Deed      `json:"did"`
	Text string    `json:"text,omitempty"`
}

// Shelf says who put an advisory aside, why and until when (a shelved alarm in the sense of IEC 62682).
type Shelf struct {
	By     string    `json:"by"`
	At     time.Time `json:"at"`
	Until  time.Time `json:"until"`
	Reason string    `json:"reason"`
}

// Judgement is how a rebuild has turned out so far.
type Judgement string

// The judgements. A rebuild is accepted for now on its first strokes, and accepted when it is still good after bedding in.
const (
	Accepting      Judgement = "accepting"
	AcceptedForNow Judgement = "accepted-for-now"
	Accepted       Judgement = "accepted"
	LookAgain      Judgement = "look-again"
	NotJudged      Judgement = "not-judged"
)

// Rebuild is the data of a rebuild event: what was done to a pump, what was found, and how it turned out.
type Rebuild struct {
	Rebuild string    `json:"rebuild"`
	Pump    string    `json:"pump"`
	Serial  string    `json:"serial,omitempty"`
	Model   string    `json:"model"`
	Time    time.Time `json:"time"`
	By      string    `json:"by"`
	// Ticket is the ticket that the rebuild answers, Fault what it suspected; both may be empty.
	Ticket string     `json:"ticket,omitempty"`
	Fault  pump.Fault `json:"fault,omitempty"`
	// Kits are the kits used; none where something else helped, such as a cleaned muffler.
	Kits []pump.Kit `json:"kits"`
	// KitNumbers are their numbers of the catalogue, by which the shelf is counted down.
	KitNumbers map[pump.Kit]string `json:"kit_numbers,omitempty"`
	// Assumed tells that nobody has said what was done: the ticket was closed as done, and its kit is taken to be used.
	Assumed bool `json:"assumed,omitempty"`
	// Parts are all components with their strokes up to now, which of them are new, and how they were found.
	Parts []Part `json:"parts"`
	Note  string `json:"note,omitempty"`
	// Photos are the names of pictures that somebody keeps elsewhere.
	Photos      []string `json:"photos,omitempty"`
	LabourHours float64  `json:"labour_hours,omitempty"`
	// Liquid is what the pump was started with, water or product; empty where it was not said.
	Liquid string `json:"liquid,omitempty"`
	// Asked are the answers to what no sensor sees.
	Asked     Asked     `json:"asked,omitzero"`
	Judgement Judgement `json:"judgement"`
	Verdicts  []Verdict `json:"verdicts,omitempty"`
	// Retorque are the joints to check again, where the catalogue's manual wants it.
	Retorque []Retorque `json:"retorque,omitempty"`
}

// Part is one component at a rebuild.
type Part struct {
	Component pump.Component `json:"component"`
	// Strokes is what it had run at the rebuild; absent where it is not known since when it is in.
	Strokes  *float64       `json:"strokes,omitempty"`
	Replaced bool           `json:"replaced"`
	Found    pump.Condition `json:"found"`
	Note     string         `json:"note,omitempty"`
}

// Asked are answers of the person who started the rebuilt pump; nil where they were not given.
type Asked struct {
	// Restarts tells that the pump started by itself after a stall.
	Restarts *bool `json:"restarts,omitempty"`
	// LeaksDry tells of air that escapes where it should not (soap water shows it), LeaksWet of liquid.
	LeaksDry *bool `json:"leaks_dry,omitempty"`
	LeaksWet *bool `json:"leaks_wet,omitempty"`
}

// Verdict is one look at a rebuilt pump.
type Verdict struct {
	Time time.Time `json:"time"`
	// Stage is first or bedded-in.
	Stage     string    `json:"stage"`
	Judgement Judgement `json:"judgement"`
	// Mistake is the assembly mistake that fits best; empty where the pump is good.
	Mistake     string  `json:"mistake,omitempty"`
	Probability float64 `json:"probability,omitempty"`
	// Against says what the pump was compared with.
	Against  string     `json:"against"`
	Words    string     `json:"words"`
	Checks   []string   `json:"checks,omitempty"`
	Evidence []Evidence `json:"evidence,omitempty"`
}

// Retorque is a joint to check again after so many running hours, as the source says.
type Retorque struct {
	Joint        string  `json:"joint"`
	RunningHours float64 `json:"running_hours"`
}

// Body is a pump body, wherever it stands: its history follows its serial.
type Body struct {
	// Body is the serial, or the position where no serial was ever given.
	Body   string `json:"body"`
	Serial string `json:"serial,omitempty"`
	// Pump is where it stands; empty: in the store.
	Pump  string    `json:"pump,omitempty"`
	Since time.Time `json:"since"`
	// Strokes is what it had run when its present baseline began.
	Strokes float64 `json:"strokes"`
	// Rebuilt is what it had run at its last rebuild, or 0 where it came new; absent where that is not known.
	Rebuilt *float64 `json:"rebuilt,omitempty"`
	// Fitted is what the body had run when each component was fitted; a component that is not here has an unknown age.
	Fitted map[pump.Component]float64 `json:"fitted,omitempty"`
	// Best is the best that the pump has been, in the monitor's own form.
	Best []byte `json:"best,omitempty"`
}
