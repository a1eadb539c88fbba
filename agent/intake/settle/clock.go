package settle

import (
	"time"

	"diastole/detect/signal"
)

const (
	// aheadLimit is how far a chunk may end after the data time expected at its arrival. One wild time in
	// the future would otherwise carry the pump's time away from all its sensors.
	aheadLimit = 10 * time.Minute
	// behindLimit is how far a chunk may end before the newest of its channel without a doubt about the
	// channel's clock.
	behindLimit = time.Hour
	// runChunks and runSpan are how many chunks in a row, over which wall-clock time, make a jump the
	// channel's new time.
	runChunks = 20
	runSpan   = 10 * time.Second
)

// jump is the direction in which a chunk's time leaves its channel.
type jump int8

const (
	noJump jump = iota
	jumpAhead
	jumpBack
)

// jump judges a chunk's time. Ahead means later than both the data time expected now and the arrival: a
// sensor that was behind may always catch up with the wall clock.
func (s *Settler) jump(ch *channelState, c signal.Chunk, arrival time.Time) jump {
	end := c.End()
	if !s.state.Newest.IsZero() && end.Sub(s.state.expected(arrival)) > aheadLimit && end.Sub(arrival) > aheadLimit {
		return jumpAhead
	}
	if ch.Newest.Sub(end) > behindLimit {
		return jumpBack
	}
	return noJump
}

// run is a row of chunks of one channel that all jumped the same way.
type run struct {
	Jump         jump      `json:"jump"`
	Chunks       int       `json:"chunks"`
	FirstEnd     time.Time `json:"first_end"`
	FirstArrival time.Time `json:"first_arrival"`
}

// extend adds a chunk and tells whether the row is now a clock that was set anew: long enough, and its data
// time advances as the wall clock does. History that a gateway sends again passes much faster than that.
func (r *run) extend(j jump, end, arrival time.Time) bool {
	if r.Jump != j {
		*r = run{Jump: j, FirstEnd: end, FirstArrival: arrival}
	}
	if r.Chunks++; r.Chunks < runChunks {
		return false
	}
	wall := arrival.Sub(r.FirstArrival)
	if wall < runSpan {
		return false
	}
	if drift := (end.Sub(r.FirstEnd) - wall).Abs(); drift > Window+wall/4 {
		*r = run{Jump: j, Chunks: 1, FirstEnd: end, FirstArrival: arrival}
		return false
	}
	return true
}
