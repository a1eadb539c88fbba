package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"diastole/detect/feature"
)

// walkStep is how many epochs Walk reads at once: a long read would keep the journal from being folded in.
const walkStep = 1000

// Epochs reads a pump's epochs that start in [from, to), in time order. Where there are more than maxPoints
// (at least 1), one is picked from each of maxPoints equal stretches of time, the first running one where
// there is any: real epochs, not averages, at a cost that does not grow with the interval. An epoch that
// is damaged is left out and told in the log.
func (s *Store) Epochs(ctx context.Context, pump string, from, to time.Time, maxPoints int) ([]feature.Epoch, error) {
	if maxPoints < 1 {
		return nil, fmt.Errorf("read epochs of pump %q: %w: %d points asked for, at least 1 is allowed", pump, ErrInvalid, maxPoints)
	}
	lo, hi, err := span(from, to)
	if err != nil {
		return nil, fmt.Errorf("read epochs of pump %q: %w", pump, err)
	}
	c, release := s.reader()
	defer release()
	all, _, err := s.epochs(ctx, c.read, pump, lo, hi, maxPoints+1)
	if err == nil && len(all) > maxPoints {
		all, err = s.pick(ctx, c.read, pump, lo, hi, maxPoints)
	}
	if err != nil {
		return nil, fmt.Errorf("read epochs of pump %q: %w", pump, s.note(err))
	}
	return all, nil
}

// Walk calls f with each of a pump's epochs that start in [from, to), in time order, until f fails; that
// error is returned. Its memory does not grow with the interval. Damaged epochs are left out as in Epochs.
func (s *Store) Walk(ctx context.Context, pump string, from, to time.Time, f func(feature.Epoch) error) error {
	lo, hi, err := span(from, to)
	if err != nil {
		return fmt.Errorf("walk over epochs of pump %q: %w", pump, err)
	}
	for {
		step, next, err := s.walkStep(ctx, pump, lo, hi)
		if err != nil {
			return fmt.Errorf("walk over epochs of pump %q: %w", pump, s.note(err))
		}
		for _, e := range step {
			if err := f(e); err != nil {
				return err
			}
		}
		if next == 0 {
			return nil
		}
		lo = next
	}
}

func (s *Store) walkStep(ctx context.Context, pump string, lo, hi int64) (step []feature.Epoch, next int64, err error) {
	c, release := s.reader()
	defer release()
	return s.epochs(ctx, c.read, pump, lo, hi, walkStep)
}

// epochs reads up to limit epochs; next is where to go on, 0 where nothing is left.
func (s *Store) epochs(ctx context.Context, q querier, pump string, lo, hi int64, limit int) (all []feature.Epoch, next int64, err error) {
	rows, err := q.QueryContext(ctx, "SELECT start, body FROM epoch WHERE pump = ? AND start >= ? AND start < ? ORDER BY start LIMIT ?", pump, lo, hi, limit)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	n := 0
	var start int64
	for rows.Next() {
		var body []byte
		if err := rows.Scan(&start, &body); err != nil {
			return nil, 0, err
		}
		n++
		if e, ok := s.epochOf(pump, start, body); ok {
			all = append(all, e)
		}
	}
	if n == limit {
		next = start + 1
	}
	return all, next, rows.Err()
}

// epochOf decodes a row and holds it against its key.
func (s *Store) epochOf(pump string, start int64, body []byte) (feature.Epoch, bool) {
	e, err := decodeEpoch(pump, body)
	if err == nil && e.Start.UnixNano() != start {
		err = fmt.Errorf("%w: key and body differ", ErrDamaged)
	}
	if err != nil {
		s.log.Warn("an epoch can not be read back and is left out", "pump", pump, "start", fromNanoseconds(start), "error", err)
		return feature.Epoch{}, false
	}
	return e, true
}

// pick seeks one epoch in each of n stretches of [lo, hi), which is first narrowed to what is stored.
func (s *Store) pick(ctx context.Context, q querier, pump string, lo, hi int64, n int) ([]feature.Epoch, error) {
	err := q.QueryRowContext(ctx, `SELECT (SELECT start FROM epoch WHERE pump = ?1 AND start >= ?2 ORDER BY start LIMIT 1),
		(SELECT start + 1 FROM epoch WHERE pump = ?1 AND start < ?3 ORDER BY start DESC LIMIT 1)`, pump, lo, hi).Scan(&lo, &hi)
	if err != nil {
		return nil, err
	}
	const in = "SELECT start, body FROM epoch WHERE pump = ? AND start >= ? AND start < ? "
	var all []feature.Epoch
	width := float64(hi-lo) / float64(n)
	for i := range n {
		a, b := lo+int64(float64(i)*width), lo+int64(float64(i+1)*width)
		if i == n-1 {
			b = hi
		}
		var start int64
		var body []byte
		err := q.QueryRowContext(ctx, in+"AND state = ? ORDER BY start LIMIT 1", pump, a, b, feature.Running).Scan(&start, &body)
		if errors.Is(err, sql.ErrNoRows) {
			err = q.QueryRowContext(ctx, in+"ORDER BY start LIMIT 1", pump, a, b).Scan(&start, &body)
		}
		if errors.Is(err, sql.ErrNoRows) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if e, ok := s.epochOf(pump, start, body); ok {
			all = append(all, e)
		}
	}
	return all, nil
}
