package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// pruneStep bounds how much one transaction deletes, so that commits do not wait long.
const pruneStep = 10_000

// Maintain forgets epochs and events older than the retention and folds the journal into the file. Call it
// about hourly. now is the wall clock; age counts from now or, per pump, from the newest epoch, whichever
// is earlier: neither a wrong clock nor one wrong time in the data forgets the history.
func (s *Store) Maintain(ctx context.Context, now time.Time) error {
	pumps, err := s.pumps(ctx)
	if err != nil {
		return err
	}
	for _, pump := range pumps {
		if err := s.prune(ctx, now, epochsOf(pump)); err != nil {
			return fmt.Errorf("forget old epochs of pump %q: %w", pump, err)
		}
	}
	if err := s.prune(ctx, now, events()); err != nil {
		return fmt.Errorf("forget old events: %w", err)
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	// The verdict (busy, frames) is not looked at: a checkpoint that readers held up is made next time.
	if _, err := s.db.write.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return fmt.Errorf("fold the journal in: %w", s.note(err))
	}
	return nil
}

// pumps lists the pumps that have epochs.
func (s *Store) pumps(ctx context.Context) ([]string, error) {
	c, release := s.reader()
	defer release()
	// A skip through the index: one seek a pump, not one step an epoch.
	rows, err := c.read.QueryContext(ctx, `WITH RECURSIVE p(pump) AS (
			SELECT min(pump) FROM epoch
			UNION ALL SELECT (SELECT min(pump) FROM epoch WHERE pump > p.pump) FROM p WHERE p.pump IS NOT NULL)
		SELECT pump FROM p WHERE pump IS NOT NULL`)
	if err != nil {
		return nil, fmt.Errorf("list pumps: %w", s.note(err))
	}
	defer rows.Close()
	var all []string
	for rows.Next() {
		var p string
		if err := rows.Scan(&p); err != nil {
			return nil, fmt.Errorf("list pumps: %w", s.note(err))
		}
		all = append(all, p)
	}
	return all, s.note(rows.Err())
}

// prunable is what is forgotten together: the queries for its newest time and for deleting its oldest rows, and
// the kind of outbox row that is about it.
type prunable struct {
	kind   Kind
	pump   string // used where it is not empty
	newest string
	delete string
}

func epochsOf(pump string) prunable {
	return prunable{
		kind: KindEpoch, pump: pump,
		newest: "SELECT max(start) FROM epoch WHERE pump = ?1",
		delete: `DELETE FROM epoch WHERE pump = ?1 AND start IN
			(SELECT start FROM epoch WHERE pump = ?1 AND start < ?2 ORDER BY start LIMIT ?3)`,
	}
}

func events() prunable {
	return prunable{
		kind:   KindEvent,
		newest: "SELECT max(time) FROM event WHERE ?1 = ''",
		delete: "DELETE FROM event WHERE ?1 = '' AND id IN (SELECT id FROM event WHERE time < ?2 ORDER BY time LIMIT ?3)",
	}
}

func (s *Store) prune(ctx context.Context, now time.Time, p prunable) error {
	for {
		n, err := s.pruneOnce(ctx, now, p)
		if err != nil || n < pruneStep {
			return err
		}
	}
}

// pruneOnce forgets up to pruneStep rows and tells how many.
func (s *Store) pruneOnce(ctx context.Context, now time.Time, p prunable) (n int64, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	var freed int64
	err = inTx(ctx, s.db.write, func(tx *sql.Tx) error {
		var newest sql.NullInt64
		if err := tx.QueryRowContext(ctx, p.newest, p.pump).Scan(&newest); err != nil || !newest.Valid {
			return err
		}
		before := min(newest.Int64, clip(now)) - int64(s.opts.Retention)
		res, err := tx.ExecContext(ctx, p.delete, p.pump, before, pruneStep)
		if err != nil {
			return err
		}
		if n, err = res.RowsAffected(); err != nil || n == 0 {
			return err
		}
		freed, err = s.expire(ctx, tx, p.kind, p.pump, before)
		return err
	})
	if err != nil {
		return 0, s.note(err)
	}
	s.outboxBytes -= freed
	return n, nil
}

// expire gives up the outbox rows that are about what is older than before, and tells their bytes.
func (s *Store) expire(ctx context.Context, tx *sql.Tx, k Kind, pump string, before int64) (freed int64, err error) {
	const old = " FROM outbox WHERE kind = ?1 AND time < ?2 AND (?3 = '' OR pump = ?3)"
	err = tx.QueryRowContext(ctx, "SELECT coalesce(sum(bytes), 0)"+old, k, before, pump).Scan(&freed)
	if err != nil || freed == 0 {
		return 0, err
	}
	receivers, at, err := readReceivers(ctx, tx)
	if err != nil {
		return 0, err
	}
	for _, r := range receivers {
		if !r.Kinds.Has(k) {
			continue
		}
		var n int64
		if err := tx.QueryRowContext(ctx, "SELECT count(*)"+old+" AND seq > ?4", k, before, pump, at[r.Name]).Scan(&n); err != nil {
			return 0, err
		}
		if err := s.countDropped(ctx, tx, r.Name, k, DroppedExpired, n); err != nil {
			return 0, err
		}
	}
	_, err = tx.ExecContext(ctx, "DELETE"+old, k, before, pump)
	return freed, err
}
