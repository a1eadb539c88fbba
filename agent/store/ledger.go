package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"diastole/agent/event"
)

// ledgerClosed is how many closed tickets tickets.json keeps beside all open ones; the database has all.
const ledgerClosed = 1000

// ledger is tickets.json: the tickets, newest last, and what was done to the pumps, with the CRC-32C of the bytes of each.
type ledger struct {
	Format  int             `json:"format"`
	CRC32C  string          `json:"crc32c"`
	Tickets json.RawMessage `json:"tickets"`
	// Work is absent in files of before there was any.
	Work       json.RawMessage `json:"work,omitempty"`
	WorkCRC32C string          `json:"work_crc32c,omitempty"`
}

// work is what was done to the pumps.
type work struct {
	Rebuilds []event.Rebuild `json:"rebuilds"`
	Bodies   []event.Body    `json:"bodies"`
}

const ledgerFormat = 1

// Ticket is a ticket with the time of the data that changed it last.
type Ticket struct {
	Time   time.Time    `json:"time"`
	Ticket event.Ticket `json:"ticket"`
}

// writeLedger replaces tickets.json by what the database holds.
func (s *Store) writeLedger(ctx context.Context) error {
	s.ledgerDirty = true
	tickets, err := ticketRows(ctx, s.db.write, TicketFilter{Closed: ledgerClosed})
	if err != nil {
		return fmt.Errorf("write %s: %w", ledgerName, err)
	}
	list, err := json.Marshal(tickets)
	if err != nil {
		return fmt.Errorf("write %s: %w", ledgerName, err)
	}
	done, err := workOf(ctx, s.db.write)
	if err != nil {
		return fmt.Errorf("write %s: %w", ledgerName, err)
	}
	works, err := json.Marshal(done)
	if err != nil {
		return fmt.Errorf("write %s: %w", ledgerName, err)
	}
	whole, err := json.Marshal(ledger{
		Format: ledgerFormat, CRC32C: fmt.Sprintf("%08x", sum(list)), Tickets: list, Work: works, WorkCRC32C: fmt.Sprintf("%08x", sum(works)),
	})
	if err != nil {
		return fmt.Errorf("write %s: %w", ledgerName, err)
	}
	if err := replaceFile(s.path(ledgerName), append(whole, '\n')); err != nil {
		return fmt.Errorf("write %s: %w", ledgerName, err)
	}
	s.ledgerDirty = false
	return nil
}

// restoreLedger reads tickets.json into a fresh database. A copy that is damaged too is kept under
// another name and told; the agent starts all the same.
func (s *Store) restoreLedger(ctx context.Context) error {
	path := s.path(ledgerName)
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("read the copy of the tickets: %w", err)
	}
	batch, err := parseLedger(text)
	if err != nil {
		aside := path + ".damaged"
		s.log.Error("the copy of the tickets is damaged too; it was set aside and the ledger begins empty",
			"reason", err, "kept_as", aside)
		if err := os.Rename(path, aside); err != nil {
			return fmt.Errorf("set the damaged copy of the tickets aside: %w", err)
		}
		return nil
	}
	if err := s.store(ctx, *batch); err != nil {
		return fmt.Errorf("read the tickets back from %s: %w", path, err)
	}
	s.recovery.Tickets = len(batch.Tickets)
	if len(batch.Tickets)+len(batch.Rebuilds)+len(batch.Bodies) > 0 {
		s.log.Warn("tickets and rebuilds were read back from their copy", "file", path, "tickets", len(batch.Tickets), "rebuilds", len(batch.Rebuilds))
	}
	return nil
}

// parseLedger reads the text of tickets.json: tickets, rebuilds and bodies of a batch.
func parseLedger(text []byte) (*Batch, error) {
	var l ledger
	var done work
	if err := json.Unmarshal(text, &l); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if l.Format != ledgerFormat {
		return nil, fmt.Errorf("%w: ledger format %d, known is %d", ErrNewer, l.Format, ledgerFormat)
	}
	if got := fmt.Sprintf("%08x", sum(l.Tickets)); got != l.CRC32C {
		return nil, fmt.Errorf("%w: checksum %s, written was %s", ErrDamaged, got, l.CRC32C)
	}
	var tickets []Ticket
	if err := json.Unmarshal(l.Tickets, &tickets); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	for i := range tickets {
		if err := tickets[i].validate(); err != nil {
			return nil, fmt.Errorf("ticket %d of %d: %w", i+1, len(tickets), err)
		}
	}
	if len(l.Work) == 0 {
		return &Batch{Tickets: tickets}, nil
	}
	if got := fmt.Sprintf("%08x", sum(l.Work)); got != l.WorkCRC32C {
		return nil, fmt.Errorf("%w: checksum of the work %s, written was %s", ErrDamaged, got, l.WorkCRC32C)
	}
	if err := json.Unmarshal(l.Work, &done); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return &Batch{Tickets: tickets, Rebuilds: done.Rebuilds, Bodies: done.Bodies}, nil
}

// replaceFile puts content at path so that a crash at any moment leaves the old or the new file whole:
// new file, fsync, rename, fsync of the directory (without which the rename itself can be lost). The
// name of the new file is fixed, so that one left by a crash is overwritten.
func replaceFile(path string, content []byte) error {
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
