package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Backlog is what waits for a receiver.
type Backlog struct {
	Receiver string
	Rows     int64
	Bytes    int64
	// Oldest is the time of the data of the row that waits longest; zero where nothing waits.
	Oldest time.Time
}

// Backlogs tells what waits for each receiver, sorted by name. Every row that waits is counted, from the index.
func (s *Store) Backlogs(ctx context.Context) ([]Backlog, error) {
	c, release := s.reader()
	defer release()
	all, err := backlogs(ctx, c.read)
	if err != nil {
		return nil, fmt.Errorf("measure the outbox: %w", s.note(err))
	}
	return all, nil
}

func backlogs(ctx context.Context, db *sql.DB) ([]Backlog, error) {
	tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // all of it from one moment
	if err != nil {
		return nil, err
	}
	defer tx.Rollback() //nolint:errcheck // nothing was written
	receivers, at, err := readReceivers(ctx, tx)
	if err != nil {
		return nil, err
	}
	all := make([]Backlog, len(receivers))
	for i, r := range receivers {
		all[i].Receiver = r.Name
		for k := range numKinds {
			if !r.Kinds.Has(k) {
				continue
			}
			if err := all[i].add(ctx, tx, k, at[r.Name]); err != nil {
				return nil, err
			}
		}
	}
	return all, nil
}

// add adds the rows of a kind after a cursor.
func (b *Backlog) add(ctx context.Context, q querier, k Kind, cursor int64) error {
	var rows, bytes, at int64
	err := q.QueryRowContext(ctx, "SELECT count(*), coalesce(sum(bytes), 0) FROM outbox WHERE kind = ? AND seq > ?", k, cursor).Scan(&rows, &bytes)
	if err != nil {
		return err
	}
	b.Rows += rows
	b.Bytes += bytes
	err = q.QueryRowContext(ctx, "SELECT time FROM outbox WHERE kind = ? AND seq > ? ORDER BY seq LIMIT 1", k, cursor).Scan(&at)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if t := fromNanoseconds(at); err == nil && (b.Oldest.IsZero() || t.Before(b.Oldest)) {
		b.Oldest = t
	}
	return err
}
