package store

import (
	"context"
	"encoding/json"
	"fmt"

	"diastole/agent/event"
)

// work stores what was done to pumps.
func (tx *batchTx) work(b Batch) error {
	for i := range b.Rebuilds {
		if err := tx.rebuild(&b.Rebuilds[i]); err != nil {
			return fmt.Errorf("rebuild %q: %w", b.Rebuilds[i].Rebuild, err)
		}
	}
	for i := range b.Bodies {
		if err := tx.body(&b.Bodies[i]); err != nil {
			return fmt.Errorf("pump body %q: %w", b.Bodies[i].Body, err)
		}
	}
	return nil
}

func (tx *batchTx) rebuild(r *event.Rebuild) error {
	at, err := nanoseconds(r.Time)
	if err != nil {
		return err
	}
	if r.Rebuild == "" || r.Pump == "" {
		return fmt.Errorf("%w: no id, or no pump", ErrInvalid)
	}
	body, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	_, err = tx.exec("INSERT OR REPLACE INTO rebuild (id, pump, time, body, sum) VALUES (?, ?, ?, ?, ?)", r.Rebuild, r.Pump, at, string(body), sum(body))
	return err
}

func (tx *batchTx) body(b *event.Body) error {
	if b.Body == "" {
		return fmt.Errorf("%w: no id", ErrInvalid)
	}
	body, err := json.Marshal(b)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	_, err = tx.exec("INSERT OR REPLACE INTO body (id, body, sum) VALUES (?, ?, ?)", b.Body, string(body), sum(body))
	return err
}

// Rebuilds reads all rebuilds of a pump position, or of all where pump is empty, the oldest first.
func (s *Store) Rebuilds(ctx context.Context, pump string) ([]event.Rebuild, error) {
	c, release := s.reader()
	defer release()
	all, err := rebuildRows(ctx, c.read, pump)
	if err != nil {
		return nil, fmt.Errorf("read rebuilds: %w", s.note(err))
	}
	return all, nil
}

// Bodies reads all pump bodies that were ever seen, by id.
func (s *Store) Bodies(ctx context.Context) ([]event.Body, error) {
	c, release := s.reader()
	defer release()
	all, err := bodyRows(ctx, c.read)
	if err != nil {
		return nil, fmt.Errorf("read pump bodies: %w", s.note(err))
	}
	return all, nil
}

func workOf(ctx context.Context, q querier) (work, error) {
	rebuilds, err := rebuildRows(ctx, q, "")
	if err != nil {
		return work{}, err
	}
	bodies, err := bodyRows(ctx, q)
	return work{rebuilds, bodies}, err
}

func rebuildRows(ctx context.Context, q querier, pump string) ([]event.Rebuild, error) {
	return jsonRows[event.Rebuild](ctx, q, "SELECT id, body, sum FROM rebuild WHERE ?1 = '' OR pump = ?1 ORDER BY time, id", pump)
}

func bodyRows(ctx context.Context, q querier) ([]event.Body, error) {
	return jsonRows[event.Body](ctx, q, "SELECT id, body, sum FROM body ORDER BY id")
}

// jsonRows reads rows of id, body and sum.
func jsonRows[T any](ctx context.Context, q querier, query string, args ...any) ([]T, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	all := []T{}
	for rows.Next() {
		var x T
		var id string
		if err := scanJSON(rows.Scan, &x, &id); err != nil {
			return nil, err
		}
		all = append(all, x)
	}
	return all, rows.Err()
}
