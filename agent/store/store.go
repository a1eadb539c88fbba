// Package store keeps what must survive a restart: epochs, events, tickets, advisories, monitor
// snapshots and the outbox of what receivers have not confirmed yet.
//
// It is one SQLite file, state.db, in a directory of its own:
//
//  1. One writer. Everything that belongs together is one Batch and one transaction, so one fsync
//     serves a whole group (WAL journal, synchronous FULL: a commit that returned survives a power cut).
//  2. Confirmations of receivers go through a second connection with synchronous NORMAL: a power cut may
//     forget the last ones, and then rows are sent again under the same id; no row is ever lost by it.
//  3. Readers have connections of their own and never wait for a writer.
//  4. The tickets have a second home, tickets.json, replaced atomically after each change. A state.db
//     that is damaged is renamed and kept, a fresh one begins, and the tickets come back from the copy.
package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"
)

// Errors that callers can tell apart with errors.Is.
var (
	// ErrNotFound means that no such ticket or snapshot is stored.
	ErrNotFound = errors.New("not found")
	// ErrLocked means that another process works in the directory.
	ErrLocked = errors.New("state directory is in use")
	// ErrNewer means that a later version of the program wrote the file.
	ErrNewer = errors.New("state was written by a newer version")
	// ErrDamaged means that the file holds something that was never written; the next Commit sets the
	// file aside and begins a fresh one.
	ErrDamaged = errors.New("state file is damaged")
	// ErrFull means that the disk has no room; nothing of the batch was stored, and it may be tried again.
	ErrFull = errors.New("no space left for the state file")
	// ErrInvalid means that a row can not be stored as it is; trying again does not help.
	ErrInvalid = errors.New("row is invalid")
)

// Names of the files in the state directory.
const (
	dbName     = "state.db"
	ledgerName = "tickets.json"
	lockName   = "state.lock"
)

// Defaults of Options.
const (
	DefaultRetention   = 400 * 24 * time.Hour
	DefaultOutboxBytes = 64 << 20
)

// Options are the bounds of a store.
type Options struct {
	// Retention is how long epochs and events are kept, counted in data time; 0: DefaultRetention.
	Retention time.Duration
	// OutboxBytes bounds what waits for receivers; 0: DefaultOutboxBytes.
	OutboxBytes int64
	// Log is told of repairs and losses. It must not be nil.
	Log *slog.Logger
}

// Store is the durable state of one agent. Its methods may be called from any goroutine.
type Store struct {
	dir  string
	opts Options
	log  *slog.Logger
	lock *os.File

	// mu guards db, which is replaced when a damaged file is set aside.
	mu sync.RWMutex
	db *conns

	// writing is held by whoever writes; it guards the fields below.
	writing     sync.Mutex
	receivers   []Receiver
	outboxBytes int64 // sum of the outbox rows' sizes
	ledgerDirty bool  // tickets.json is older than the database
	recovery    Recovery

	// damage is why the file must be set aside before the next commit; readers may meet it too.
	damage atomic.Pointer[error]
}

// Recovery tells what Open, or a Commit that met damage, had to do.
type Recovery struct {
	// Quarantined is the name that the damaged file now has, Reason what was wrong; both empty where
	// nothing was damaged.
	Quarantined string
	Reason      string
	// Tickets is how many tickets came back from tickets.json. Their undelivered events are gone with
	// the damaged file.
	Tickets int
}

// Open opens the state in dir, which is made if it is missing. It fails with ErrLocked where another
// process has it open and with ErrNewer where a later version wrote it; a damaged file is no failure.
func Open(ctx context.Context, dir string, opts Options) (*Store, error) {
	if opts.Retention == 0 {
		opts.Retention = DefaultRetention
	}
	if opts.OutboxBytes == 0 {
		opts.OutboxBytes = DefaultOutboxBytes
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("state directory %s cannot be made (set state_dir to one that the agent may write): %w", dir, err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return nil, err
	}
	s := &Store{dir: dir, opts: opts, log: opts.Log, lock: lock}
	if err := s.open(ctx); err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	return s, nil
}

// Close writes what tickets.json still lacks, folds the journal into the file and gives the directory free.
func (s *Store) Close() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	var err error
	if s.ledgerDirty {
		err = s.writeLedger(context.Background())
	}
	return errors.Join(err, s.db.close(), s.lock.Close())
}

// Recovery tells what had to be repaired since Open.
func (s *Store) Recovery() Recovery {
	s.writing.Lock()
	defer s.writing.Unlock()
	return s.recovery
}

func (s *Store) path(name string) string { return filepath.Join(s.dir, name) }

// note classifies an error and remembers damage, so that the next commit deals with it.
func (s *Store) note(err error) error {
	err = classify(err)
	if errors.Is(err, ErrDamaged) {
		s.damage.Store(&err)
	}
	return err
}

// reader is the present database for reading; release must be called when done.
func (s *Store) reader() (c *conns, release func()) {
	s.mu.RLock()
	return s.db, s.mu.RUnlock
}
