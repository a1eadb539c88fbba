package store

import (
	"context"
	"database/sql"
	"fmt"
)

// querier is what *sql.DB and *sql.Tx share.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// stored is an outbox row as it lies in the file.
type stored struct {
	Seq  int64
	kind Kind
	pump string
	time int64
	id   string
	body []byte // nil where the table that it is read from has no such row any more
	sum  uint32
}

// pendingQuery reads rows of one kind with their bodies from where the kind keeps them. An epoch's body
// carries its own sum.
var pendingQuery = [numKinds]string{
	KindEpoch: `SELECT o.seq, o.pump, o.time, o.id, e.body, 0 FROM outbox o
		LEFT JOIN epoch e ON e.pump = o.pump AND e.start = o.time
		WHERE o.kind = ? AND o.seq > ? ORDER BY o.seq LIMIT ?`,
	KindEvent: `SELECT o.seq, o.pump, o.time, o.id, e.body, coalesce(e.sum, 0) FROM outbox o
		LEFT JOIN event e ON e.id = o.id
		WHERE o.kind = ? AND o.seq > ? ORDER BY o.seq LIMIT ?`,
	KindHeartbeat: `SELECT seq, pump, time, id, body, sum FROM outbox WHERE kind = ? AND seq > ? ORDER BY seq LIMIT ?`,
	KindState:     `SELECT seq, pump, time, id, body, sum FROM outbox WHERE kind = ? AND seq > ? ORDER BY seq LIMIT ?`,
}

func readStored(ctx context.Context, q querier, dst []stored, k Kind, after int64, limit int) ([]stored, error) {
	rows, err := q.QueryContext(ctx, pendingQuery[k], k, after, limit)
	if err != nil {
		return dst, err
	}
	defer rows.Close()
	for rows.Next() {
		st := stored{kind: k}
		if err := rows.Scan(&st.Seq, &st.pump, &st.time, &st.id, &st.body, &st.sum); err != nil {
			return dst, err
		}
		dst = append(dst, st)
	}
	return dst, rows.Err()
}

// row checks what was read. On an error the row still carries what is known of it.
func (st *stored) row() (Row, error) {
	r := Row{Seq: st.Seq, Kind: st.kind, Pump: st.pump, Time: fromNanoseconds(st.time), ID: st.id}
	switch {
	case st.body == nil:
		return r, fmt.Errorf("%w: what outbox row %d is about is missing", ErrDamaged, st.Seq)
	case st.kind == KindEpoch:
		var err error
		r.Epoch, err = decodeEpoch(st.pump, st.body)
		return r, err
	}
	r.JSON = st.body
	if sum(st.body) != st.sum {
		return r, fmt.Errorf("%w: checksum of outbox row %d", ErrDamaged, st.Seq)
	}
	return r, nil
}
