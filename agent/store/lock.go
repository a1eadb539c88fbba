package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// lockDir takes the directory for this process. The lock belongs to the open file and goes with the
// process, however it ends: a lock file that is left behind locks nobody out.
func lockDir(dir string) (*os.File, error) {
	path := filepath.Join(dir, lockName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("state directory %s is not writable (the agent's user needs write permission there): %w", dir, err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		pid := make([]byte, 20)
		n, _ := f.ReadAt(pid, 0) // an unreadable pid only makes the message poorer
		holder := strings.TrimSpace(string(pid[:n]))
		return nil, errors.Join(fmt.Errorf("%w: %s is held by process %s; two agents cannot share it", ErrLocked, dir, holder), f.Close())
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("lock %s: %w", path, err), f.Close())
	}
	if err := f.Truncate(0); err != nil {
		return nil, errors.Join(fmt.Errorf("write %s: %w", path, err), f.Close())
	}
	if _, err := f.WriteAt([]byte(fmt.Sprintln(os.Getpid())), 0); err != nil {
		return nil, errors.Join(fmt.Errorf("write %s: %w", path, err), f.Close())
	}
	return f, nil
}
