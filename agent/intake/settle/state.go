package settle

import (
	"slices"
	"time"

	"diastole/detect/signal"
)

// State is all that a settler knows: a plain value that JSON and gob carry without loss.
type State struct {
	// Newest is the latest data end seen and NewestArrival when it came: together they tell which data time
	// to expect now, whatever the sensor's clock is set to.
	Newest        time.Time `json:"newest"`
	NewestArrival time.Time `json:"newest_arrival"`
	// Floor keeps the expected time from going back when newer data came later than expected.
	Floor time.Time `json:"floor"`
	// Mark is the watermark.
	Mark time.Time `json:"mark"`
	// Pending are the chunks that wait, by start and channel; Ready those that only wait to be handed out.
	Pending  []signal.Chunk `json:"pending"`
	Ready    []signal.Chunk `json:"ready"`
	Channels []channelState `json:"channels"`
	Counts   Counts         `json:"counts"`
}

// channelState is what is known of one channel.
type channelState struct {
	Channel       signal.Channel `json:"channel"`
	Newest        time.Time      `json:"newest"`
	NewestArrival time.Time      `json:"newest_arrival"`
	// Last is the time of the last sample that was released, where Released.
	Released bool      `json:"released"`
	Last     time.Time `json:"last"`
	// Recent are the starts of the last chunks that were released, to tell duplicate from late.
	Recent []time.Time `json:"recent"`
	Run    run         `json:"run"`
}

// recentKept is how many starts tell a duplicate: a broker resends a few messages after a reconnect.
const recentKept = 8

func (ch *channelState) remember(start time.Time) {
	if len(ch.Recent) == recentKept {
		ch.Recent = slices.Delete(ch.Recent, 0, 1)
	}
	ch.Recent = append(ch.Recent, start)
}

// Counts is how often what happened.
type Counts struct {
	// Accepted to Clock count the verdicts, chunks.
	Accepted  int64 `json:"accepted"`
	Replaced  int64 `json:"replaced"`
	Duplicate int64 `json:"duplicate"`
	Late      int64 `json:"late"`
	Clock     int64 `json:"clock"`
	// Covered are accepted chunks whose samples had all come out of others by their turn, Trimmed the
	// samples cut off chunks that overlapped an earlier one.
	Covered int64 `json:"covered"`
	Trimmed int64 `json:"trimmed"`
	// Early are chunks that went out before their time because too much was waiting.
	Early int64 `json:"early"`
	// ClockBack and ClockAhead are jumps of a channel's clock that were accepted as its new time.
	ClockBack  int64 `json:"clock_back"`
	ClockAhead int64 `json:"clock_ahead"`
}

func (c *Counts) add(v Verdict) {
	switch v {
	case Accepted:
		c.Accepted++
	case Replaced:
		c.Replaced++
	case Duplicate:
		c.Duplicate++
	case Late:
		c.Late++
	case Clock:
		c.Clock++
	}
}

// channel finds a channel's state, or begins one. The pointer is valid until the next new channel.
func (s *State) channel(c signal.Channel) *channelState {
	for i := range s.Channels {
		if s.Channels[i].Channel == c {
			return &s.Channels[i]
		}
	}
	s.Channels = append(s.Channels, channelState{Channel: c})
	return &s.Channels[len(s.Channels)-1]
}

// expected is the data time that a chunk sent now would end at: the newest data end plus the wall-clock
// time since it came. A sensor clock that is off shifts it, and does no harm.
func (s *State) expected(now time.Time) time.Time {
	at := s.Newest.Add(max(0, now.Sub(s.NewestArrival)))
	if s.Floor.After(at) {
		return s.Floor
	}
	return at
}

// observe notes the end of an accepted chunk.
func (s *State) observe(ch *channelState, end, arrival time.Time) {
	if end.After(ch.Newest) {
		ch.Newest, ch.NewestArrival = end, arrival
	}
	if end.After(s.Newest) {
		if !s.Newest.IsZero() {
			s.Floor = s.expected(arrival)
		}
		s.Newest, s.NewestArrival = end, arrival
	}
}

// forget drops what was known of a channel's time; the other channels then tell the pump's.
func (s *State) forget(ch *channelState) {
	*ch = channelState{Channel: ch.Channel}
	s.Newest, s.NewestArrival, s.Floor, s.Mark = time.Time{}, time.Time{}, time.Time{}, time.Time{}
	for _, other := range s.Channels {
		if other.Newest.After(s.Newest) {
			s.Newest, s.NewestArrival = other.Newest, other.NewestArrival
		}
	}
}

// Snapshot is a copy of the state that later calls do not change.
func (s *Settler) Snapshot() State { return s.state.clone() }

// Restore makes a settler that goes on exactly where the snapshot was taken.
func Restore(st State) *Settler {
	s := New()
	s.state = st.clone()
	for _, c := range s.state.Pending {
		s.held += len(c.Values)
	}
	return s
}

func (s State) clone() State {
	s.Pending, s.Ready = cloneChunks(s.Pending), cloneChunks(s.Ready)
	s.Channels = slices.Clone(s.Channels)
	for i := range s.Channels {
		s.Channels[i].Recent = slices.Clone(s.Channels[i].Recent)
	}
	return s
}

func cloneChunks(chunks []signal.Chunk) []signal.Chunk {
	chunks = slices.Clone(chunks)
	for i := range chunks {
		chunks[i].Values = slices.Clone(chunks[i].Values)
	}
	return chunks
}
