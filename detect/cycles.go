package detect

import (
	"math"
	"time"

	"diastole/detect/cycle"
	"diastole/detect/feature"
)

// Cycles is the mean cycle of a pump: the latest one, and what was learned of the healthy one. What it points to does not change,
// and may be used from any goroutine.
type Cycles struct {
	// Latest is nil where there was none yet, Healthy where nothing was learned.
	Latest  *cycle.Record
	Healthy *cycle.Healthy
	// Time is the end of the epoch of Latest, Point its operating point. Anchored is true where its A and B are those of the
	// counter.
	Time     time.Time
	Point    cycle.Point
	Anchored bool
}

// CyclePicture is the latest mean cycle over the healthy one, A over A and B over B.
type CyclePicture struct {
	Time time.Time
	// Latest has its sides exchanged where they are free and it fits better so. SidesKnown is true where A and B are those
	// of the counter, now and in the healthy cycle.
	Latest     cycle.Record
	SidesKnown bool
	// Inlet and Discharge are the healthy pressures, drawn at today's mean pressures; HealthyShareA is stroke A's share of
	// the healthy cycle, 0 where nothing was learned.
	Inlet, Discharge cycle.Expected
	HealthyShareA    float64
}

// Picture is what there is to show; false where no mean cycle was seen.
func (c Cycles) Picture() (CyclePicture, bool) {
	if c.Latest == nil {
		return CyclePicture{}, false
	}
	p := CyclePicture{Time: c.Time, Latest: *c.Latest, SidesKnown: c.Anchored}
	if c.Healthy == nil {
		return p, true
	}
	p.SidesKnown = c.Anchored && c.Healthy.Anchored
	p.Latest = c.Healthy.Turned(p.Latest, c.Anchored)
	p.Inlet, p.Discharge = c.Healthy.Expect(p.Latest, c.Point)
	p.HealthyShareA = c.Healthy.ShareA()
	return p, true
}

// take follows the mean cycle of an epoch, and learns from it where it is one of the healthy pump that is kept.
func (c *Cycles) take(e *feature.Epoch, healthy bool) {
	if e.Cycle == nil || e.State != feature.Running {
		return
	}
	c.Latest, c.Time, c.Anchored = e.Cycle, e.End, e.Anchored
	c.Point = cycle.Point{Inlet: orNaN(e.Inlet), Discharge: orNaN(e.Discharge)}
	if !healthy || !e.Cycle.Keep {
		return
	}
	next := cycle.Healthy{}
	if c.Healthy != nil {
		next = *c.Healthy
	}
	next.Learn(*e.Cycle, c.Point, e.Anchored)
	c.Healthy = &next
}

func orNaN(v feature.Value) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return v.V
}
