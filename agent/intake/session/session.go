// Package session holds the MQTT session that the sensor messages come through: it connects, subscribes,
// survives brokers that die or stall, and hands over messages and ticks in one order of time.
//
// Messages wait in memory between their acknowledgement and their handling: a crash loses those few. What a
// full queue drops is counted.
package session

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
)

const (
	// The queue between the connection and the handler: some seconds of a large site, and never more memory
	// than that.
	queueMessages = 8192
	queueBytes    = 64 << 20
	// tickEvery is how often silence is told.
	tickEvery = time.Second
	// stepBackHeld is the backward step of the wall clock that is hidden by holding the time still, so that
	// arrivals do not go back for a mere correction.
	stepBackHeld = time.Minute
)

// timing is how patient a session is; tests are less so.
type timing struct {
	keepAlive, ping    time.Duration
	connect, subscribe time.Duration
	retryMin, retryMax time.Duration
	// steady is how long a connection must have held for the next retry to be quick again.
	steady     time.Duration
	disconnect time.Duration
}

var patient = timing{
	keepAlive: 30 * time.Second, ping: 10 * time.Second,
	connect: 10 * time.Second, subscribe: 10 * time.Second,
	retryMin: time.Second, retryMax: 30 * time.Second,
	steady: 30 * time.Second, disconnect: time.Second,
}

// Session is one client of one broker. Its broker keeps the subscriptions and, at QoS 1 and 2, the messages
// of an absence.
type Session struct {
	dialer dialer
	mqtt   config.MQTT
	topics []string
	wanted map[string]bool
	// patterns are the topics with a level that is +, announces whether the handler wants to know of each connection.
	patterns  []string
	announces bool
	passing   bool
	outgoing  chan outgoing
	clock     func() time.Time
	log       *slog.Logger
	timing    timing
	queue     chan intake.Message
	maxBytes  int64
	unwanted  chan string
	queued    atomic.Int64 // payload bytes in queue
	received  atomic.Int64
	dropped   atomic.Int64
	unrouted  atomic.Int64
	connects  atomic.Int64
	mu        sync.Mutex // guards what follows and the order of stamps in the queue
	lastStamp time.Time
	connected bool
	since     time.Time
	lastErr   error
	lastErrAt time.Time
}

// New prepares a session that subscribes to exactly these topics, whose levels may be + and the last one #; where one is, a message of
// intake.ConnectedTopic comes before the first of each connection. The clock gives the wall-clock time of
// arrivals. Errors are about the broker's address and the key files.
func New(m config.MQTT, topics []string, clock func() time.Time, log *slog.Logger) (*Session, error) {
	if m.ClientID == "" {
		return nil, errors.New("mqtt: the client id is empty; the broker keeps the session by it")
	}
	d, err := newDialer(m)
	if err != nil {
		return nil, err
	}
	s := &Session{
		dialer: d, mqtt: m, topics: topics, wanted: map[string]bool{},
		clock: clock, log: log.With("broker", m.Broker), timing: patient,
		queue: make(chan intake.Message, queueMessages), maxBytes: queueBytes,
		unwanted: make(chan string, 16), outgoing: make(chan outgoing, outgoingKept), since: clock(),
	}
	for _, t := range topics {
		if levels := strings.Split(t, "/"); slices.Contains(levels, "+") || levels[len(levels)-1] == "#" {
			s.patterns = append(s.patterns, t)
			continue
		}
		s.wanted[t] = true
	}
	s.announces = len(s.patterns) > 0
	return s, nil
}

// Passing makes the broker forget the session when it ends, for who only listens for a while. It must come before Run.
func (s *Session) Passing() { s.passing = true }

// Run keeps the session up until ctx ends, then handles what was already received and returns; a session
// runs once. It calls message and tick from one goroutine, in order of their times: a tick comes only when
// everything that arrived before it has been handled, so that a recording of the messages alone replays to
// the same result.
func (s *Session) Run(ctx context.Context, message func(intake.Message), tick func(now time.Time)) {
	var connection sync.WaitGroup
	connection.Go(func() { s.keepConnected(ctx) })
	ticker := time.NewTicker(tickEvery)
	defer ticker.Stop()
	handle := func(m intake.Message) {
		s.queued.Add(-int64(len(m.Payload)))
		message(m)
	}
	for ctx.Err() == nil {
		select {
		case m := <-s.queue:
			handle(m)
		case <-ticker.C:
			if now, ok := s.quiet(); ok {
				tick(now)
			}
		case <-ctx.Done():
		}
	}
	// The broker has the acknowledgement of all that stands in the queue and will not send it again.
	for done := s.closed(&connection); done != nil || len(s.queue) > 0; {
		select {
		case m := <-s.queue:
			handle(m)
		case <-done:
			done = nil
		}
	}
}

// closed is closed when the connection's goroutine has returned.
func (s *Session) closed(connection *sync.WaitGroup) <-chan struct{} {
	done := make(chan struct{})
	go func() {
		connection.Wait()
		close(done)
	}()
	return done
}

// receive takes a message off the library's one dispatching goroutine, which must not wait: it copies,
// stamps, enqueues or drops.
func (s *Session) receive(_ mqtt.Client, m mqtt.Message) {
	s.received.Add(1)
	if !s.wants(m.Topic()) {
		s.unrouted.Add(1)
		select {
		case s.unwanted <- m.Topic():
		default: // the next one will say so again
		}
		return
	}
	// One byte more than is decoded shows the decoder that there was more.
	body := m.Payload()[:min(len(m.Payload()), payload.MaxSize+1)]
	if s.queued.Load()+int64(len(body)) > s.maxBytes {
		s.dropped.Add(1)
		return
	}
	msg := intake.Message{Topic: m.Topic(), Payload: slices.Clone(body), Retained: m.Retained()}
	s.mu.Lock()
	defer s.mu.Unlock()
	msg.Arrival = s.stamp()
	select {
	case s.queue <- msg:
		s.queued.Add(int64(len(body)))
	default:
		s.dropped.Add(1)
	}
}

// wants tells whether a topic is subscribed.
func (s *Session) wants(topic string) bool {
	return s.wanted[topic] || slices.ContainsFunc(s.patterns, func(p string) bool { return intake.Matches(p, topic) })
}

// announce puts the message of a new connection before its first one.
func (s *Session) announce() {
	if !s.announces {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case s.queue <- intake.Message{Topic: intake.ConnectedTopic, Arrival: s.stamp()}:
	default: // a queue that is full has lost messages, which their numbers tell
		s.dropped.Add(1)
	}
}

// outgoing is a message that waits to be published.
type outgoing struct {
	topic   string
	payload []byte
}

// outgoingKept is how many messages wait for a connection.
const outgoingKept = 256

// Publish sends a message at QoS 0, not retained, as soon as there is a connection. It does not wait; it is false where too
// many wait already. It may be called from any goroutine.
func (s *Session) Publish(topic string, payload []byte) bool {
	select {
	case s.outgoing <- outgoing{topic, payload}:
		return true
	default:
		return false
	}
}

// quiet is the time now, if all messages before it have been handled.
func (s *Session) quiet() (now time.Time, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.queue) > 0 {
		return now, false
	}
	return s.stamp(), true
}

// stamp is the wall-clock time without small backward steps. The caller holds mu.
func (s *Session) stamp() time.Time {
	now := s.clock().Round(0).UTC()
	if back := s.lastStamp.Sub(now); back > 0 && back < stepBackHeld {
		return s.lastStamp
	}
	s.lastStamp = now
	return now
}

// keepConnected connects again and again until ctx ends. The library's own reconnecting is off: it sleeps
// where nobody can wake it, and so cannot be waited for.
func (s *Session) keepConnected(ctx context.Context) {
	defer s.note(false, nil)
	wait := s.timing.retryMin
	for ctx.Err() == nil {
		began := time.Now()
		err := s.connectOnce(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > s.timing.steady {
			wait = s.timing.retryMin
		}
		s.log.Warn("mqtt connection down", "error", err, "retry_in", wait)
		s.note(false, err)
		// The jitter keeps the agents of a site from coming back all at once.
		timer := time.NewTimer(wait + rand.N(wait/4))
		select {
		case <-timer.C:
		case <-ctx.Done():
		}
		timer.Stop()
		wait = min(2*wait, s.timing.retryMax)
	}
}

// note keeps what the status tells.
func (s *Session) note(connected bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if connected != s.connected {
		s.connected, s.since = connected, s.clock()
	}
	if err != nil {
		s.lastErr, s.lastErrAt = err, s.clock()
	}
}

// Status is the session's state for people and metrics.
type Status struct {
	Connected bool `json:"connected"`
	// Since is when it connected, or when it was last connected (at first: when it began).
	Since       time.Time `json:"since"`
	LastError   string    `json:"last_error,omitempty"`
	LastErrorAt time.Time `json:"last_error_at,omitzero"`
	// Connects counts successful connections; Received all messages, of which Dropped did not fit into the
	// queue and Unrouted came on topics that are not subscribed any more.
	Connects int64 `json:"connects"`
	Received int64 `json:"received"`
	Dropped  int64 `json:"dropped"`
	Unrouted int64 `json:"unrouted"`
	Queued   int   `json:"queued"`
}

// Status may be called from any goroutine.
func (s *Session) Status() Status {
	st := Status{
		Connects: s.connects.Load(), Received: s.received.Load(),
		Dropped: s.dropped.Load(), Unrouted: s.unrouted.Load(), Queued: len(s.queue),
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	st.Connected, st.Since, st.LastErrorAt = s.connected, s.since, s.lastErrAt
	if s.lastErr != nil {
		st.LastError = s.lastErr.Error()
	}
	return st
}
