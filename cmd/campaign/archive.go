package main

import (
	"encoding/gob"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/zstd"
)

// archive is a folder that keeps what was simulated, a file a case, so that a changed detection need not wait for the simulator.
// It does not know when the simulator has changed. The empty name keeps nothing.
type archive string

func (a archive) file(t *trial) string {
	return filepath.Join(string(a), fmt.Sprintf("%s-%d.gob.zst", strings.ReplaceAll(t.kind.name, " ", "-"), t.seed))
}

// load finds what was simulated of a trial before.
func (a archive) load(t *trial) (bool, error) {
	if a == "" {
		return false, nil
	}
	f, err := os.Open(a.file(t))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer f.Close()
	z, err := zstd.NewReader(f)
	if err == nil {
		defer z.Close()
		err = gob.NewDecoder(z).Decode(&t.record)
	}
	if err != nil {
		return false, fmt.Errorf("%s does not hold a case of this version of the campaign: %w", a.file(t), err)
	}
	return true, nil
}

func (a archive) keep(t *trial) error {
	if a == "" {
		return nil
	}
	f, err := os.Create(a.file(t))
	if err != nil {
		return err
	}
	z, err := zstd.NewWriter(f)
	if err != nil {
		return errors.Join(err, f.Close())
	}
	return errors.Join(gob.NewEncoder(z).Encode(t.record), z.Close(), f.Close())
}
