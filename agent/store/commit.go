package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"diastole/agent/event"
	"diastole/detect/feature"
)

// Epoch is an epoch of a pump. Pump and start are its key: a later one with the same key replaces it.
type Epoch struct {
	Pump  string
	Epoch feature.Epoch
}

// Advisory is an advisory with the time of the data that changed it last.
type Advisory struct {
	Time     time.Time
	Open     bool
	Advisory event.Advisory
}

// Snapshot is the state of a pump's monitor at a time of the data; a later one replaces it.
type Snapshot struct {
	Pump string
	Time time.Time
	Body []byte
}

// State is what a pump's state topic shows; only the newest one waits for receivers.
type State struct {
	Pump string
	Time time.Time
	JSON []byte
}

// Batch is what one transaction stores. Gather as much in it as the wish for fresh data allows: a batch
// costs one fsync however big it is, and the flash is written by the page, of which each pump has its own.
// Measured on ext4, checkpoints included: 437 KB for a batch with one epoch of each of forty pumps, 995 KB for
// one with five of each.
type Batch struct {
	Epochs []Epoch
	// Events are stored once: one with an id that is known changes nothing and is not sent again.
	// A heartbeat is not kept, and only the newest one waits for receivers.
	Events     []event.Event
	Tickets    []Ticket
	Advisories []Advisory
	Snapshots  []Snapshot
	States     []State
	// Rebuilds and Bodies replace those of the same id. They are kept for ever.
	Rebuilds []event.Rebuild
	Bodies   []event.Body
}

// Commit stores the whole batch, or, on an error, nothing of it. When it returns nil the batch survives a
// power cut. ErrFull may be tried again; ErrInvalid names the row that can never be stored. Damage of the
// file is mended on the way, see Recovery.
func (s *Store) Commit(ctx context.Context, b Batch) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.damage.Load() != nil {
		if err := s.heal(ctx); err != nil {
			return fmt.Errorf("commit: %w", err)
		}
	}
	err := s.store(ctx, b)
	if errors.Is(err, ErrDamaged) {
		s.damage.Store(&err)
		if err := s.heal(ctx); err != nil {
			return fmt.Errorf("commit: %w", err)
		}
		err = s.store(ctx, b)
	}
	if err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	if s.ledgerDirty || len(b.Tickets)+len(b.Rebuilds)+len(b.Bodies) > 0 {
		// The database has the tickets; their second home is tried again with the next commit.
		if err := s.writeLedger(ctx); err != nil {
			s.log.Error("the copy of the tickets could not be written", "error", s.note(err))
		}
	}
	return nil
}

// store is Commit without repairs.
func (s *Store) store(ctx context.Context, b Batch) error {
	bytes := s.outboxBytes
	err := inTx(ctx, s.db.write, func(sqlTx *sql.Tx) error {
		tx := &batchTx{Tx: sqlTx, ctx: ctx, wanted: s.wanted(), outboxBytes: s.outboxBytes, prepared: map[string]*sql.Stmt{}}
		if err := tx.all(b); err != nil {
			return err
		}
		if err := s.shed(tx); err != nil {
			return err
		}
		bytes = tx.outboxBytes
		return nil
	})
	if err != nil {
		return err
	}
	s.outboxBytes = bytes
	return nil
}

// batchTx is the transaction of one batch.
type batchTx struct {
	*sql.Tx
	ctx         context.Context //nolint:containedctx // lives as long as the transaction that it bounds
	wanted      Kinds
	outboxBytes int64
	prepared    map[string]*sql.Stmt // database/sql closes them with the transaction
}

// stmt compiles a statement once a transaction.
func (tx *batchTx) stmt(query string) (*sql.Stmt, error) {
	if st := tx.prepared[query]; st != nil {
		return st, nil
	}
	st, err := tx.PrepareContext(tx.ctx, query)
	if err == nil {
		tx.prepared[query] = st
	}
	return st, err
}

func (tx *batchTx) all(b Batch) error {
	for i := range b.Epochs {
		if err := tx.epoch(&b.Epochs[i]); err != nil {
			return fmt.Errorf("epoch %d of pump %q: %w", i, b.Epochs[i].Pump, err)
		}
	}
	for i := range b.Events {
		if err := tx.event(&b.Events[i]); err != nil {
			return fmt.Errorf("event %d, id %q: %w", i, b.Events[i].ID, err)
		}
	}
	for i := range b.Tickets {
		if err := tx.ticket(&b.Tickets[i]); err != nil {
			return fmt.Errorf("ticket %d, id %q: %w", i, b.Tickets[i].Ticket.Ticket, err)
		}
	}
	for i := range b.Advisories {
		if err := tx.advisory(&b.Advisories[i]); err != nil {
			return fmt.Errorf("advisory %d, id %q: %w", i, b.Advisories[i].Advisory.Advisory, err)
		}
	}
	for i := range b.Snapshots {
		if err := tx.snapshot(&b.Snapshots[i]); err != nil {
			return fmt.Errorf("snapshot of pump %q: %w", b.Snapshots[i].Pump, err)
		}
	}
	for i := range b.States {
		if err := tx.state(&b.States[i]); err != nil {
			return fmt.Errorf("state of pump %q: %w", b.States[i].Pump, err)
		}
	}
	return tx.work(b)
}

func (tx *batchTx) exec(query string, args ...any) (changed bool, err error) {
	st, err := tx.stmt(query) //nolint:sqlclosecheck // the connection keeps its statements
	if err != nil {
		return false, err
	}
	res, err := st.ExecContext(tx.ctx, args...)
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	return n > 0, err
}

func (tx *batchTx) epoch(e *Epoch) error {
	if e.Pump == "" {
		return fmt.Errorf("%w: no pump", ErrInvalid)
	}
	body, err := encodeEpoch(e.Pump, &e.Epoch)
	if err != nil {
		return err
	}
	start := e.Epoch.Start.UnixNano()
	// The same epoch again, from a replay or after a restart, is not sent again.
	changed, err := tx.exec(`INSERT INTO epoch (pump, start, state, body) VALUES (?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET state = excluded.state, body = excluded.body WHERE body <> excluded.body`,
		e.Pump, start, e.Epoch.State, body)
	if err != nil || !changed {
		return err
	}
	return tx.enqueue(KindEpoch, e.Pump, start, "", nil)
}

func (tx *batchTx) event(e *event.Event) error {
	if e.ID == "" {
		return fmt.Errorf("%w: no id", ErrInvalid)
	}
	at, err := nanoseconds(e.Time)
	if err != nil {
		return err
	}
	body, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	if e.Type == event.Heartbeat {
		return tx.enqueue(KindHeartbeat, e.Subject, at, e.ID, body)
	}
	changed, err := tx.exec("INSERT INTO event (id, pump, time, body, sum) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
		e.ID, e.Subject, at, string(body), sum(body))
	if err != nil || !changed {
		return err
	}
	return tx.enqueue(KindEvent, e.Subject, at, e.ID, nil)
}

func (t *Ticket) validate() error {
	if t.Ticket.Ticket == "" || t.Ticket.Pump == "" {
		return fmt.Errorf("%w: ticket %q of pump %q lacks its id or its pump", ErrInvalid, t.Ticket.Ticket, t.Ticket.Pump)
	}
	_, err := nanoseconds(t.Time)
	return err
}

func (tx *batchTx) ticket(t *Ticket) error {
	if err := t.validate(); err != nil {
		return err
	}
	body, err := json.Marshal(&t.Ticket)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	_, err = tx.exec("INSERT OR REPLACE INTO ticket (id, pump, state, time, body, sum) VALUES (?, ?, ?, ?, ?, ?)",
		t.Ticket.Ticket, t.Ticket.Pump, string(t.Ticket.State), t.Time.UnixNano(), string(body), sum(body))
	return err
}

func (tx *batchTx) advisory(a *Advisory) error {
	at, err := nanoseconds(a.Time)
	if err != nil {
		return err
	}
	if a.Advisory.Advisory == "" {
		return fmt.Errorf("%w: no id", ErrInvalid)
	}
	body, err := json.Marshal(&a.Advisory)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	_, err = tx.exec("INSERT OR REPLACE INTO advisory (id, pump, open, time, body, sum) VALUES (?, ?, ?, ?, ?, ?)",
		a.Advisory.Advisory, a.Advisory.Pump, a.Open, at, string(body), sum(body))
	return err
}

func (tx *batchTx) snapshot(n *Snapshot) error {
	at, err := nanoseconds(n.Time)
	if err != nil {
		return err
	}
	if n.Pump == "" {
		return fmt.Errorf("%w: no pump", ErrInvalid)
	}
	body := append([]byte{}, n.Body...) // never NULL
	_, err = tx.exec("INSERT OR REPLACE INTO snapshot (pump, time, body, sum) VALUES (?, ?, ?, ?)",
		n.Pump, at, body, sum([]byte(n.Pump), body))
	return err
}

func (tx *batchTx) state(st *State) error {
	at, err := nanoseconds(st.Time)
	if err != nil {
		return err
	}
	if !json.Valid(st.JSON) {
		return fmt.Errorf("%w: not JSON", ErrInvalid)
	}
	return tx.enqueue(KindState, st.Pump, at, "", st.JSON)
}
