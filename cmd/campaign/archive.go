package main

import (
	"encoding/gob"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync"
)

// archive keeps what was simulated, so that a changed detection need not wait for the simulator. It does not know when the
// simulator has changed.
type archive struct {
	mu      sync.Mutex
	records map[string]record
	fresh   bool
}

func openArchive(file string) (*archive, error) {
	a := &archive{records: map[string]record{}}
	if file == "" {
		return a, nil
	}
	f, err := os.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		return a, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if err := gob.NewDecoder(f).Decode(&a.records); err != nil {
		return nil, fmt.Errorf("%s is not an archive of this version of the campaign: %w", file, err)
	}
	return a, nil
}

func (t *trial) key() string { return fmt.Sprintf("%s %d", t.kind.name, t.seed) }

func (a *archive) load(t *trial) (ok bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	t.record, ok = a.records[t.key()]
	return ok
}

func (a *archive) keep(t *trial) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.records[t.key()] = t.record
	a.fresh = true
}

func (a *archive) save(file string) error {
	if file == "" || !a.fresh {
		return nil
	}
	f, err := os.Create(file)
	if err != nil {
		return err
	}
	return errors.Join(gob.NewEncoder(f).Encode(a.records), f.Close())
}
