package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"log/slog"
)

// The reasons for which a receiver never gets a row.
const (
	DroppedOutboxFull      = "outbox-full"
	DroppedReceiverRemoved = "receiver-removed"
	DroppedExpired         = "expired"
)

// asideKept is how many rows that were set aside are kept for each receiver.
const asideKept = 1000

// Dropped is how many rows of a kind a receiver never got, and why, since the state began.
type Dropped struct {
	Receiver string
	Kind     Kind
	Reason   string
	Rows     int64
}

// Aside is a row that the receiver can not take.
type Aside struct {
	Row    Row
	Reason string
}

// shed brings the outbox back under nine tenths of its bound once it is over it: the oldest epochs first,
// and events only where they alone are too many. States and heartbeats are bounded by their nature.
func (s *Store) shed(tx *batchTx) error {
	if tx.outboxBytes <= s.opts.OutboxBytes {
		return nil
	}
	goal := s.opts.OutboxBytes / 10 * 9
	for _, k := range []Kind{KindEpoch, KindEvent} {
		if tx.outboxBytes <= goal {
			break
		}
		upTo, err := oldest(tx, k, tx.outboxBytes-goal)
		if err != nil {
			return err
		}
		if err := s.give(tx.ctx, tx.Tx, k, upTo, DroppedOutboxFull); err != nil {
			return err
		}
		freed, err := deleteRows(tx.ctx, tx.Tx, k, upTo)
		if err != nil {
			return err
		}
		tx.outboxBytes -= freed
	}
	return nil
}

// oldest is the last of the oldest rows of a kind that together weigh at least so many bytes.
func oldest(tx *batchTx, k Kind, bytes int64) (upTo int64, err error) {
	rows, err := tx.QueryContext(tx.ctx, "SELECT seq, bytes FROM outbox WHERE kind = ? ORDER BY seq", k)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	for bytes > 0 && rows.Next() {
		var n int64
		if err := rows.Scan(&upTo, &n); err != nil {
			return 0, err
		}
		bytes -= n
	}
	return upTo, rows.Err()
}

// give counts the rows of a kind up to and with seq as dropped for each receiver that still waits for
// them. Deleting them is the caller's.
func (s *Store) give(ctx context.Context, tx *sql.Tx, k Kind, upTo int64, reason string) error {
	receivers, at, err := readReceivers(ctx, tx)
	if err != nil {
		return err
	}
	for _, r := range receivers {
		if !r.Kinds.Has(k) {
			continue
		}
		var n int64
		err := tx.QueryRowContext(ctx, "SELECT count(*) FROM outbox WHERE kind = ? AND seq > ? AND seq <= ?", k, at[r.Name], upTo).Scan(&n)
		if err != nil {
			return err
		}
		if err := s.countDropped(ctx, tx, r.Name, k, reason, n); err != nil {
			return err
		}
	}
	return nil
}

// countDropped counts and tells. An event that a receiver never gets is an error of the plant's set-up, an
// epoch a gap in a curve.
func (s *Store) countDropped(ctx context.Context, tx *sql.Tx, receiver string, k Kind, reason string, n int64) error {
	if n == 0 {
		return nil
	}
	level := slog.LevelWarn
	if k == KindEvent {
		level = slog.LevelError
	}
	s.log.Log(ctx, level, "rows were given up; the receiver never gets them", "receiver", receiver, "kind", k, "reason", reason, "rows", n)
	_, err := tx.ExecContext(ctx, `INSERT INTO dropped (receiver, kind, reason, rows) VALUES (?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET rows = rows + excluded.rows`, receiver, k, reason, n)
	return err
}

// Dropped lists what was ever given up, sorted by receiver, kind and reason.
func (s *Store) Dropped(ctx context.Context) ([]Dropped, error) {
	c, release := s.reader()
	defer release()
	rows, err := c.read.QueryContext(ctx, "SELECT receiver, kind, reason, rows FROM dropped ORDER BY receiver, kind, reason")
	if err != nil {
		return nil, fmt.Errorf("read the dropped rows: %w", s.note(err))
	}
	defer rows.Close()
	var all []Dropped
	for rows.Next() {
		var d Dropped
		if err := rows.Scan(&d.Receiver, &d.Kind, &d.Reason, &d.Rows); err != nil {
			return nil, fmt.Errorf("read the dropped rows: %w", s.note(err))
		}
		all = append(all, d)
	}
	return all, s.note(rows.Err())
}

// SetAside keeps a row that the receiver can never take, with the reason, out of the way of those behind
// it. All rows before it must be confirmed. The last thousand of each receiver are kept.
func (s *Store) SetAside(ctx context.Context, receiver string, row Row, reason string) error {
	body := row.JSON
	if row.Kind == KindEpoch {
		var err error
		if body, err = json.Marshal(row.Epoch); err != nil { // a number that JSON lacks, such as NaN
			body = fmt.Appendf(nil, "%+v", row.Epoch)
		}
	}
	err := s.confirm(ctx, receiver, row.Seq, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO aside (receiver, seq, kind, pump, time, id, reason, body)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?)`, receiver, row.Seq, row.Kind, row.Pump, row.Time.UnixNano(), row.ID, reason, append([]byte{}, body...))
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `DELETE FROM aside WHERE receiver = ?1 AND seq <=
			(SELECT seq FROM aside WHERE receiver = ?1 ORDER BY seq DESC LIMIT 1 OFFSET ?2)`, receiver, asideKept)
		return err
	})
	if err != nil {
		return fmt.Errorf("set a row of %s aside: %w", receiver, err)
	}
	return nil
}

// SetAsideRows reads what was set aside for a receiver, newest first. The body of an epoch is in JSON, as
// that of the others.
func (s *Store) SetAsideRows(ctx context.Context, receiver string, limit int) ([]Aside, error) {
	c, release := s.reader()
	defer release()
	rows, err := c.read.QueryContext(ctx, `SELECT seq, kind, pump, time, id, reason, body FROM aside
		WHERE receiver = ? ORDER BY seq DESC LIMIT ?`, receiver, limit)
	if err != nil {
		return nil, fmt.Errorf("read what was set aside: %w", s.note(err))
	}
	defer rows.Close()
	var all []Aside
	for rows.Next() {
		var a Aside
		var at int64
		if err := rows.Scan(&a.Row.Seq, &a.Row.Kind, &a.Row.Pump, &at, &a.Row.ID, &a.Reason, &a.Row.JSON); err != nil {
			return nil, fmt.Errorf("read what was set aside: %w", s.note(err))
		}
		a.Row.Time = fromNanoseconds(at)
		all = append(all, a)
	}
	return all, s.note(rows.Err())
}
