package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// checkTime bounds the structural check at start. A file of many gigabytes on a slow card is then
// checked in part; damage that is met later is dealt with when it is met.
const checkTime = 20 * time.Second

// quarantineKept is how many damaged files are kept for inspection.
const quarantineKept = 3

// open opens the file in the directory, or sets it aside and begins a fresh one. The caller holds
// s.mu and s.writing, or is the only one that knows s.
func (s *Store) open(ctx context.Context) error {
	err := s.openOnce(ctx)
	if !errors.Is(err, ErrDamaged) {
		return err
	}
	if err := s.quarantine(err); err != nil {
		return err
	}
	return s.openOnce(ctx)
}

func (s *Store) openOnce(ctx context.Context) (err error) {
	if err := s.mayWrite(); err != nil {
		return err
	}
	db, err := dial(s.path(dbName))
	if err != nil {
		return err
	}
	s.db = db
	defer func() {
		if err != nil {
			err = errors.Join(err, db.close())
		}
	}()
	if err := s.check(ctx); err != nil {
		return err
	}
	fresh, err := migrate(ctx, db.write)
	if err != nil {
		return fmt.Errorf("open %s: %w", s.path(dbName), err)
	}
	if fresh {
		if err := s.restoreLedger(ctx); err != nil {
			return err
		}
	}
	// The ledger is written again whatever it holds: a crash may have come between commit and copy.
	if err := s.writeLedger(ctx); err != nil {
		return err
	}
	return s.loadOutbox(ctx)
}

// mayWrite tells a file that another user owns from one that is damaged, which SQLite reports alike.
func (s *Store) mayWrite() error {
	f, err := os.OpenFile(s.path(dbName), os.O_RDWR, 0)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("state file is not writable (the agent's user needs write permission): %w", err)
	}
	return f.Close()
}

// check looks for structural damage.
func (s *Store) check(ctx context.Context) error {
	bounded, cancel := context.WithTimeout(ctx, checkTime)
	defer cancel()
	var verdict string
	err := s.db.write.QueryRowContext(bounded, "PRAGMA quick_check(1)").Scan(&verdict)
	switch {
	case err != nil && ctx.Err() == nil && bounded.Err() != nil:
		s.log.Warn("the state file is too big to be checked whole at start", "file", s.path(dbName), "time_limit", checkTime)
		return nil
	case err != nil:
		return fmt.Errorf("check %s: %w", s.path(dbName), classify(err))
	case verdict != "ok":
		return fmt.Errorf("check %s: %w: %s", s.path(dbName), ErrDamaged, verdict)
	}
	return nil
}

// quarantine renames the damaged file and its journal, so that nothing is thrown away.
func (s *Store) quarantine(reason error) error {
	now := time.Now().UTC().Format("20060102T150405.000Z")
	aside := s.path(dbName + ".damaged-" + now)
	for _, suffix := range []string{"", "-wal"} {
		err := os.Rename(s.path(dbName+suffix), aside+suffix)
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("set the damaged state file aside: %w", err)
		}
	}
	// The shared-memory file is only an index into the journal and is made anew.
	if err := os.Remove(s.path(dbName + "-shm")); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("set the damaged state file aside: %w", err)
	}
	s.recovery.Quarantined = filepath.Base(aside)
	s.recovery.Reason = reason.Error()
	s.log.Error("the state file is damaged; it was set aside and a fresh one begins, baselines are learned again",
		"reason", reason, "kept_as", aside)
	return s.forgetQuarantined()
}

// forgetQuarantined removes all but the newest quarantined files.
func (s *Store) forgetQuarantined() error {
	files, err := os.ReadDir(s.dir) // sorted by name, and the suffix is a time
	if err != nil {
		return fmt.Errorf("list damaged state files: %w", err)
	}
	var old []string
	for _, f := range files {
		if strings.HasPrefix(f.Name(), dbName+".damaged-") && !strings.HasSuffix(f.Name(), "-wal") {
			old = append(old, f.Name())
		}
	}
	for _, name := range old[:max(0, len(old)-quarantineKept)] {
		s.log.Warn("remove the oldest damaged state file", "file", name)
		for _, suffix := range []string{"", "-wal"} {
			if err := os.Remove(s.path(name + suffix)); err != nil && !errors.Is(err, os.ErrNotExist) {
				return fmt.Errorf("remove the oldest damaged state file: %w", err)
			}
		}
	}
	return nil
}

// heal sets a file aside in which damage was met, and begins a fresh one. The caller holds s.writing.
func (s *Store) heal(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	receivers := s.receivers
	if err := s.db.close(); err != nil {
		s.log.Warn("close the damaged state file", "error", err)
	}
	if err := s.quarantine(*s.damage.Load()); err != nil {
		return err
	}
	if err := s.openOnce(ctx); err != nil {
		return err
	}
	s.damage.Store(nil)
	if len(receivers) == 0 {
		return nil
	}
	return s.setReceivers(ctx, receivers)
}
