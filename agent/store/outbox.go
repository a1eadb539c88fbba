package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"diastole/detect/feature"
)

// Kind is a kind of outbox row.
type Kind uint8

// The kinds. Of states (one per pump) and heartbeats only the newest waits: an old one tells nothing.
const (
	KindEpoch Kind = iota
	KindEvent
	KindHeartbeat
	KindState
	numKinds
)

var kindNames = [numKinds]string{"epoch", "event", "heartbeat", "state"}

// String is the kind's name in metrics and logs.
func (k Kind) String() string {
	if k >= numKinds {
		return fmt.Sprintf("kind(%d)", uint8(k))
	}
	return kindNames[k]
}

// Kinds is a set of kinds.
type Kinds uint8

// KindsOf is the set of the given kinds.
func KindsOf(kinds ...Kind) Kinds {
	var set Kinds
	for _, k := range kinds {
		set |= 1 << k
	}
	return set
}

// Has tells whether k is in the set.
func (s Kinds) Has(k Kind) bool { return s&(1<<k) != 0 }

// Receiver is one that is to be told, and of what.
type Receiver struct {
	Name  string
	Kinds Kinds
}

// Row is one thing to send.
type Row struct {
	// Seq grows from row to row, over all receivers and restarts.
	Seq  int64
	Kind Kind
	// Pump is empty for a heartbeat of the whole agent.
	Pump string
	Time time.Time
	// ID is the event's id, empty for epochs and states.
	ID string
	// JSON is the event, heartbeat or state; nil for an epoch.
	JSON []byte
	// Epoch is set for an epoch.
	Epoch feature.Epoch
}

// rowOverhead is what a row weighs in the outbox's bound beside its text, bytes: integers, record header
// and its entry in the index, rounded up.
const rowOverhead = 64

// cursors are the receivers' places in the outbox.
type cursors map[string]int64

// SetReceivers says who gets rows from now on. A receiver that is new gets what is committed after this
// call; of one that left, the waiting rows are counted as dropped and given up.
func (s *Store) SetReceivers(ctx context.Context, receivers []Receiver) error {
	for i, r := range receivers {
		if r.Name == "" || slices.ContainsFunc(receivers[:i], func(o Receiver) bool { return o.Name == r.Name }) {
			return fmt.Errorf("%w: receiver %d is called %q: names must be unique and not empty", ErrInvalid, i, r.Name)
		}
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	return s.note(s.setReceivers(ctx, slices.Clone(receivers)))
}

func (s *Store) setReceivers(ctx context.Context, receivers []Receiver) error {
	var freed int64
	err := inTx(ctx, s.db.write, func(tx *sql.Tx) error {
		old, _, err := readReceivers(ctx, tx)
		if err != nil {
			return err
		}
		for _, r := range old {
			if slices.ContainsFunc(receivers, func(n Receiver) bool { return n.Name == r.Name }) {
				continue
			}
			if err := s.removeReceiver(ctx, tx, r); err != nil {
				return err
			}
		}
		for _, r := range receivers {
			_, err := tx.ExecContext(ctx, `INSERT INTO receiver (name, kinds, cursor)
				VALUES (?, ?, coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'outbox'), 0))
				ON CONFLICT DO UPDATE SET kinds = excluded.kinds`, r.Name, r.Kinds)
			if err != nil {
				return err
			}
		}
		freed, err = trim(ctx, tx)
		return err
	})
	if err != nil {
		return fmt.Errorf("set receivers: %w", err)
	}
	s.receivers = receivers
	s.outboxBytes -= freed
	return nil
}

// removeReceiver forgets a receiver and counts what it never got.
func (s *Store) removeReceiver(ctx context.Context, tx *sql.Tx, r Receiver) error {
	for k := range numKinds {
		if !r.Kinds.Has(k) {
			continue
		}
		var n int64
		err := tx.QueryRowContext(ctx, `SELECT count(*) FROM outbox WHERE kind = ?
			AND seq > (SELECT cursor FROM receiver WHERE name = ?)`, k, r.Name).Scan(&n)
		if err != nil {
			return err
		}
		if err := s.countDropped(ctx, tx, r.Name, k, DroppedReceiverRemoved, n); err != nil {
			return err
		}
	}
	_, err := tx.ExecContext(ctx, "DELETE FROM receiver WHERE name = ?", r.Name)
	return err
}

// wanted is what any receiver wants; other kinds make no rows.
func (s *Store) wanted() Kinds {
	var k Kinds
	for _, r := range s.receivers {
		k |= r.Kinds
	}
	return k
}

// enqueue adds a row. A kind of which only the newest counts replaces the one of its pump that waits.
func (tx *batchTx) enqueue(k Kind, pump string, at int64, id string, body []byte) error {
	if !tx.wanted.Has(k) {
		return nil
	}
	if k == KindState || k == KindHeartbeat {
		var old sql.NullInt64
		err := tx.QueryRowContext(tx.ctx, "DELETE FROM outbox WHERE kind = ? AND pump = ? RETURNING bytes", k, pump).Scan(&old)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		tx.outboxBytes -= old.Int64
	}
	bytes := int64(rowOverhead + len(pump) + len(id) + len(body))
	_, err := tx.exec("INSERT INTO outbox (kind, pump, time, id, bytes, body, sum) VALUES (?, ?, ?, ?, ?, ?, ?)",
		k, pump, at, id, bytes, string(body), sum(body))
	tx.outboxBytes += bytes
	return err
}

// Pending reads up to limit rows that the receiver has not confirmed, oldest first. A row that can not be
// read back is set aside on the way.
func (s *Store) Pending(ctx context.Context, receiver string, limit int) ([]Row, error) {
	for {
		rows, bad, err := s.pending(ctx, receiver, limit)
		if err != nil {
			return nil, fmt.Errorf("read the outbox for %s: %w", receiver, s.note(err))
		}
		if len(rows) > 0 || bad == nil {
			return rows, nil
		}
		if err := s.SetAside(ctx, receiver, bad.row, bad.reason); err != nil {
			return nil, err
		}
	}
}

// unreadable is a row that is not what was written.
type unreadable struct {
	row    Row
	reason string
}

// pending reads rows up to the first that can not be read back. Each kind is read by its own index range:
// one range over all would walk through a million epochs to the one event that a receiver waits for.
func (s *Store) pending(ctx context.Context, receiver string, limit int) ([]Row, *unreadable, error) {
	c, release := s.reader()
	defer release()
	tx, err := c.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // all kinds from one moment
	if err != nil {
		return nil, nil, err
	}
	defer tx.Rollback() //nolint:errcheck // nothing was written
	var kinds Kinds
	var cursor int64
	err = tx.QueryRowContext(ctx, "SELECT kinds, cursor FROM receiver WHERE name = ?", receiver).Scan(&kinds, &cursor)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil, fmt.Errorf("receiver %w", ErrNotFound)
	}
	if err != nil {
		return nil, nil, err
	}
	var all []stored
	for k := range numKinds {
		if kinds.Has(k) {
			if all, err = readStored(ctx, tx, all, k, cursor, limit); err != nil {
				return nil, nil, err
			}
		}
	}
	slices.SortFunc(all, func(a, b stored) int { return int(min(max(a.Seq-b.Seq, -1), 1)) })
	all = all[:min(len(all), limit)]
	rows := make([]Row, 0, len(all))
	for i := range all {
		row, err := all[i].row()
		if err != nil {
			return rows, &unreadable{row: row, reason: err.Error()}, nil
		}
		rows = append(rows, row)
	}
	return rows, nil, nil
}

// Delivered tells that the receiver has confirmed every row up to and with seq.
func (s *Store) Delivered(ctx context.Context, receiver string, seq int64) error {
	err := s.confirm(ctx, receiver, seq, func(*sql.Tx) error { return nil })
	if err != nil {
		return fmt.Errorf("confirm delivery to %s: %w", receiver, err)
	}
	return nil
}

// confirm moves the receiver's cursor and trims what nobody waits for, with before in the same transaction.
func (s *Store) confirm(ctx context.Context, receiver string, seq int64, before func(*sql.Tx) error) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	var freed int64
	err := inTx(ctx, s.db.ack, func(tx *sql.Tx) error {
		if err := before(tx); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, "UPDATE receiver SET cursor = max(cursor, ?) WHERE name = ?", seq, receiver)
		if err != nil {
			return err
		}
		freed, err = trim(ctx, tx)
		return err
	})
	if err != nil {
		return s.note(err)
	}
	s.outboxBytes -= freed
	return nil
}

// trim deletes the rows that every receiver of their kind has passed, and tells their bytes.
func trim(ctx context.Context, tx *sql.Tx) (freed int64, err error) {
	receivers, at, err := readReceivers(ctx, tx)
	if err != nil {
		return 0, err
	}
	for k := range numKinds {
		var passed int64 = 1<<63 - 1 // a kind that nobody wants
		for _, r := range receivers {
			if r.Kinds.Has(k) {
				passed = min(passed, at[r.Name])
			}
		}
		n, err := deleteRows(ctx, tx, k, passed)
		if err != nil {
			return 0, err
		}
		freed += n
	}
	return freed, nil
}

// deleteRows deletes the rows of a kind up to and with seq, and tells their bytes.
func deleteRows(ctx context.Context, tx *sql.Tx, k Kind, seq int64) (freed int64, err error) {
	err = tx.QueryRowContext(ctx, "SELECT coalesce(sum(bytes), 0) FROM outbox WHERE kind = ? AND seq <= ?", k, seq).Scan(&freed)
	if err != nil || freed == 0 {
		return 0, err
	}
	_, err = tx.ExecContext(ctx, "DELETE FROM outbox WHERE kind = ? AND seq <= ?", k, seq)
	return freed, err
}

func readReceivers(ctx context.Context, q querier) ([]Receiver, cursors, error) {
	rows, err := q.QueryContext(ctx, "SELECT name, kinds, cursor FROM receiver ORDER BY name")
	if err != nil {
		return nil, nil, err
	}
	defer rows.Close()
	var receivers []Receiver
	at := cursors{}
	for rows.Next() {
		var r Receiver
		var cursor int64
		if err := rows.Scan(&r.Name, &r.Kinds, &cursor); err != nil {
			return nil, nil, err
		}
		receivers = append(receivers, r)
		at[r.Name] = cursor
	}
	return receivers, at, rows.Err()
}

// loadOutbox reads who is told and how much waits.
func (s *Store) loadOutbox(ctx context.Context) error {
	receivers, _, err := readReceivers(ctx, s.db.write)
	if err == nil {
		err = s.db.write.QueryRowContext(ctx, "SELECT coalesce(sum(bytes), 0) FROM outbox").Scan(&s.outboxBytes)
	}
	if err != nil {
		return fmt.Errorf("read the outbox: %w", classify(err))
	}
	s.receivers = receivers
	return nil
}
