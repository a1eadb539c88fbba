package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"diastole/agent/event"
)

// TicketFilter chooses tickets.
type TicketFilter struct {
	// Pump is one pump's tickets only; empty: all pumps.
	Pump string
	// Closed is how many closed tickets are wanted, the newest; open and acknowledged ones always are.
	Closed int
}

// ticketRows reads tickets ordered by time, then id.
func ticketRows(ctx context.Context, q querier, f TicketFilter) ([]Ticket, error) {
	rows, err := q.QueryContext(ctx, `SELECT id, pump, state, time, body, sum FROM ticket
		WHERE (?1 = '' OR pump = ?1) AND (state <> ?2 OR id IN
			(SELECT id FROM ticket WHERE state = ?2 AND (?1 = '' OR pump = ?1) ORDER BY time DESC, id DESC LIMIT ?3))
		ORDER BY time, id`, f.Pump, string(event.StateClosed), f.Closed)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	tickets := []Ticket{}
	for rows.Next() {
		t, err := scanTicket(rows.Scan)
		if err != nil {
			return nil, err
		}
		tickets = append(tickets, t)
	}
	return tickets, rows.Err()
}

// scanTicket reads one row and holds its columns against its body: the columns have no sum.
func scanTicket(scan func(...any) error) (Ticket, error) {
	var id, pump, state string
	var at int64
	var body []byte
	var written uint32
	if err := scan(&id, &pump, &state, &at, &body, &written); err != nil {
		return Ticket{}, err
	}
	t := Ticket{Time: fromNanoseconds(at)}
	if sum(body) != written {
		return Ticket{}, fmt.Errorf("%w: checksum of ticket %s", ErrDamaged, id)
	}
	if err := json.Unmarshal(body, &t.Ticket); err != nil {
		return Ticket{}, fmt.Errorf("%w: ticket %s: %w", ErrDamaged, id, err)
	}
	if t.Ticket.Ticket != id || t.Ticket.Pump != pump || string(t.Ticket.State) != state {
		return Ticket{}, fmt.Errorf("%w: ticket %s holds ticket %s of pump %s", ErrDamaged, id, t.Ticket.Ticket, t.Ticket.Pump)
	}
	return t, nil
}

// Tickets reads tickets, oldest change first.
func (s *Store) Tickets(ctx context.Context, f TicketFilter) ([]event.Ticket, error) {
	c, release := s.reader()
	defer release()
	rows, err := ticketRows(ctx, c.read, f)
	if err != nil {
		return nil, fmt.Errorf("read tickets: %w", s.note(err))
	}
	tickets := make([]event.Ticket, len(rows))
	for i := range rows {
		tickets[i] = rows[i].Ticket
	}
	return tickets, nil
}

// Ticket reads one ticket; ErrNotFound where there is none with that id.
func (s *Store) Ticket(ctx context.Context, id string) (event.Ticket, error) {
	c, release := s.reader()
	defer release()
	row := c.read.QueryRowContext(ctx, "SELECT id, pump, state, time, body, sum FROM ticket WHERE id = ?", id)
	t, err := scanTicket(row.Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return event.Ticket{}, fmt.Errorf("ticket %q: %w", id, ErrNotFound)
	}
	if err != nil {
		return event.Ticket{}, fmt.Errorf("read ticket %q: %w", id, s.note(err))
	}
	return t.Ticket, nil
}

// OpenAdvisories reads the advisories that are open, oldest change first.
func (s *Store) OpenAdvisories(ctx context.Context) ([]event.Advisory, error) {
	c, release := s.reader()
	defer release()
	rows, err := c.read.QueryContext(ctx, "SELECT id, body, sum FROM advisory WHERE open ORDER BY time, id")
	if err != nil {
		return nil, fmt.Errorf("read advisories: %w", s.note(err))
	}
	defer rows.Close()
	all := []event.Advisory{}
	for rows.Next() {
		var a event.Advisory
		var id string
		if err := scanJSON(rows.Scan, &a, &id); err != nil {
			return nil, fmt.Errorf("read advisory %s: %w", id, s.note(err))
		}
		all = append(all, a)
	}
	return all, s.note(rows.Err())
}

// Events reads a pump's events of [from, to), the oldest first and no more than limit; heartbeats are not kept.
func (s *Store) Events(ctx context.Context, pump string, from, to time.Time, limit int) ([]event.Event, error) {
	lo, hi, err := span(from, to)
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	c, release := s.reader()
	defer release()
	rows, err := c.read.QueryContext(ctx, `SELECT id, body, sum FROM event WHERE pump = ? AND time >= ? AND time < ?
		ORDER BY time, id LIMIT ?`, pump, lo, hi, limit)
	if err != nil {
		return nil, fmt.Errorf("read events: %w", s.note(err))
	}
	defer rows.Close()
	all := []event.Event{}
	for rows.Next() {
		var e event.Event
		var id string
		if err := scanJSON(rows.Scan, &e, &id); err != nil {
			return nil, fmt.Errorf("read event %s: %w", id, s.note(err))
		}
		all = append(all, e)
	}
	return all, s.note(rows.Err())
}

// scanJSON reads a row of id, body and sum into v.
func scanJSON(scan func(...any) error, v any, id *string) error {
	var body []byte
	var written uint32
	if err := scan(id, &body, &written); err != nil {
		return err
	}
	if sum(body) != written {
		return fmt.Errorf("%w: checksum of %s", ErrDamaged, *id)
	}
	if err := json.Unmarshal(body, v); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return nil
}

// Snapshot reads the newest snapshot of a pump and its time; ErrNotFound where there is none.
func (s *Store) Snapshot(ctx context.Context, pump string) (time.Time, []byte, error) {
	c, release := s.reader()
	defer release()
	at, body, err := snapshotOf(ctx, c.read, pump)
	if err != nil && !errors.Is(err, ErrNotFound) && !errors.Is(err, ErrDamaged) {
		err = s.note(err)
	}
	return at, body, err
}

func snapshotOf(ctx context.Context, q querier, pump string) (time.Time, []byte, error) {
	var at int64
	var body []byte
	var written uint32
	err := q.QueryRowContext(ctx, "SELECT time, body, sum FROM snapshot WHERE pump = ?", pump).Scan(&at, &body, &written)
	if errors.Is(err, sql.ErrNoRows) {
		return time.Time{}, nil, fmt.Errorf("snapshot of pump %q: %w", pump, ErrNotFound)
	}
	if err == nil && sum([]byte(pump), body) != written {
		// Nothing but this snapshot need be given up: the epochs can be folded again.
		return time.Time{}, nil, fmt.Errorf("snapshot of pump %q: %w: checksum", pump, ErrDamaged)
	}
	if err != nil {
		return time.Time{}, nil, fmt.Errorf("read snapshot of pump %q: %w", pump, err)
	}
	return fromNanoseconds(at), body, nil
}

// span checks a half-open interval and clips it to the times that can be stored.
func span(from, to time.Time) (lo, hi int64, err error) {
	if to.Before(from) {
		return 0, 0, fmt.Errorf("%w: from %s is after to %s", ErrInvalid, from.Format(time.RFC3339), to.Format(time.RFC3339))
	}
	return clip(from), clip(to), nil
}

func clip(t time.Time) int64 {
	switch ns, err := nanoseconds(t); {
	case err == nil:
		return ns
	case t.Year() < 1970:
		return -1 << 63
	default:
		return 1<<63 - 1
	}
}
