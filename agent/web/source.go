// Package web shows the agent to people and programs: the page, the JSON API under /api/v1/, the
// probes /healthz and /readyz, and the metrics that it is given. It holds no state of its own worth
// keeping; everything comes from a Source.
package web

import (
	"context"
	"errors"
	"time"

	"diastole/agent/event"
	"diastole/agent/plan"
	"diastole/agent/watch"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// What a Source answers where it cannot do as asked; each is wrapped with the particulars.
var (
	// ErrNotFound means that no pump or ticket has this name.
	ErrNotFound = errors.New("not found")
	// ErrConflict means that the ticket's state does not allow it, such as closing a closed ticket.
	ErrConflict = errors.New("conflict")
	// ErrRefused means that what was asked for makes no sense; the error says why.
	ErrRefused = errors.New("refused")
)

// Source is what the page and the API need from the agent. All values are SI; pressures are gauge.
// Its methods are called from many goroutines at once.
type Source interface {
	// Site is the site's name.
	Site() string
	// Address is where people reach the page, such as https://pumps.works.example; empty: on this computer alone.
	Address() string
	// Pumps lists all pumps in the order of the configuration.
	Pumps(ctx context.Context) ([]PumpView, error)
	// Trend is one feature between two times of the data, oldest first, thinned to at most max
	// points. A pump that is not known is ErrNotFound.
	Trend(ctx context.Context, pump string, f feature.ID, from, to time.Time, max int) ([]Point, error)
	// Cycle is a pump's latest mean cycle over its healthy one. A pump that is not known is ErrNotFound.
	Cycle(ctx context.Context, pump string) (CycleView, error)
	// Tickets lists tickets, newest first: those not yet closed where open is true, else all.
	Tickets(ctx context.Context, open bool) ([]event.Ticket, error)
	// Ticket finds one ticket, or answers ErrNotFound.
	Ticket(ctx context.Context, id string) (event.Ticket, error)
	// Act does something with a ticket for a person.
	Act(ctx context.Context, id string, a watch.Act) (event.Ticket, error)
	// Job is what is known of a pump and its upkeep, for the sheet of a rebuild. A pump that is not known is ErrNotFound.
	Job(ctx context.Context, pump string) (Job, error)
	// Rebuilds lists the rebuilds of a pump, or of all where pump is empty, newest first.
	Rebuilds(ctx context.Context, pump string) ([]event.Rebuild, error)
	// Rebuilt records a rebuild that was done at a time; zero: now.
	Rebuilt(ctx context.Context, pump string, at time.Time, r watch.Rebuilt) (event.Rebuild, error)
	// Swapped puts the body with this serial at a position.
	Swapped(ctx context.Context, pump, serial, by string) (event.Body, error)
	// Relearn begins a new baseline from the data since a time; zero: now.
	Relearn(ctx context.Context, pump, reason, by string, since time.Time) (event.Body, error)
	// Shelve puts an advisory aside for a time, Unshelve brings it back.
	Shelve(ctx context.Context, id string, s Shelf) (event.Advisory, error)
	Unshelve(ctx context.Context, id string) (event.Advisory, error)
	// Stock is what lies on the shelf now.
	Stock(ctx context.Context) ([]StockLine, error)
	// Plan is what is to be done in the weeks to come, with kits on the shelf at a service level between 0 and 1.
	Plan(ctx context.Context, weeks int, service float64) (plan.Plan, error)
	// Advisories lists the advisories that are open now, newest first.
	Advisories(ctx context.Context) ([]event.Advisory, error)
	// Health says how the agent itself is.
	Health(ctx context.Context) Health
	// Subscribe ticks after anything above has changed. Ticks may be merged; the channel is closed
	// after ctx has ended.
	Subscribe(ctx context.Context) <-chan struct{}
}

// PumpView is what there is to show of one pump now.
type PumpView struct {
	ID     string
	Serial string // empty where the configuration gives none, as is Liquid
	Model  string
	Liquid string
	// State is what the pump does, as of LastData, the time of its newest sample (zero before the first).
	State    feature.State
	LastData time.Time
	// Stale means that data should have come and has not.
	Stale bool
	// Learning says in words how far the learning of the baseline is ("41 of 100 h"); it is empty
	// once the baseline is known.
	Learning string
	// AsFound is true where the baseline was learned from a pump not known to be in good order.
	AsFound bool
	// Inlet and Discharge are the operating point, Pa gauge.
	Inlet, Discharge feature.Value
	// Readings are the features of the newest running epoch, in the order of feature.ID, those that
	// could be formed.
	Readings []Reading
	// Beside is what the newest epoch tells beside its features, valid or not, Tier how finely its strokes were seen.
	Beside []feature.Named
	Tier   feature.Tier
	// Statistic is the evidence for a fault, a log-likelihood ratio, and Threshold where it becomes
	// a ticket; Threshold is 0 while nothing is judged.
	Statistic, Threshold float64
	// StrokesSinceRebuild is 0 where it is not known.
	StrokesSinceRebuild float64
	// Tickets are the ids of the pump's open tickets, Advisories its open advisories.
	Tickets    []string
	Advisories []event.Advisory
	// Unseen says in words what this pump's channels cannot show.
	Unseen []string
}

// Reading is the newest value of one feature.
type Reading struct {
	Feature feature.ID
	Point
}

// Point is one value of a feature with what the healthy pump would show at the same operating point,
// in the feature's SI unit.
type Point struct {
	Time time.Time
	// Value was observed, SE is its standard error.
	Value, SE float64
	// Expected is the healthy value and Band the half-width of its 95 % prediction interval. Band is
	// 0 where nothing is expected yet; Expected then means nothing.
	Expected, Band float64
}

// Known tells whether there is an expectation to compare the value with.
func (p Point) Known() bool { return p.Band > 0 }

// Job is what is known of a pump and its upkeep.
type Job struct {
	Pump, Model, Size string
	Place             pump.Installed
	Upkeep            pump.Service
	// OnHand is the stock of each kit now; a kit that is not counted is not in it.
	OnHand map[pump.Kit]int
	// Parts are the components with what they have run.
	Parts []event.Part
	// Rebuild is the last rebuild, nil before the first one.
	Rebuild *event.Rebuild
}

// Shelf says who puts an advisory aside, why, and until when: a time, or, where Until is zero, so long from now.
type Shelf struct {
	By, Reason string
	Until      time.Time
	For        time.Duration
}

// StockLine is one kit on the shelf.
type StockLine struct {
	Number string   `json:"kit_number"`
	Kit    pump.Kit `json:"kit"`
	Model  string   `json:"model"`
	// Counted is when OnHand kits were counted, Used how many rebuilds have taken since; Left may be below zero, where more were
	// used than were counted.
	Counted      time.Time `json:"counted"`
	OnHand       int       `json:"on_hand_when_counted"`
	Used         int       `json:"used_since"`
	Left         int       `json:"on_hand"`
	ReorderPoint int       `json:"reorder_point"`
	Place        string    `json:"place,omitempty"`
	LeadTimeDays float64   `json:"lead_time_days,omitempty"`
}

// Health is how the agent itself is.
type Health struct {
	// Ready means that the agent can do its work: it receives, judges and stores.
	Ready      bool
	Conditions []Condition
}

// Condition is one thing that can be well or not, such as the broker's connection.
type Condition struct {
	Name string
	OK   bool
	// Since is when the condition last changed.
	Since time.Time
	// Text says what is the matter, or how it is.
	Text string
}
