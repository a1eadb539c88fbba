package store

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// TestPeek reads beside a working agent, and after it, and leaves nothing behind where there is nothing.
func TestPeek(t *testing.T) {
	dir := t.TempDir()
	if _, err := Peek(t.Context(), dir, "P-101"); !errors.Is(err, ErrNotFound) {
		t.Errorf("empty folder: %v, want ErrNotFound", err)
	}
	if files, err := os.ReadDir(dir); err != nil || len(files) > 0 {
		t.Errorf("peeking made %v (%v)", files, err)
	}
	s := openAt(t, dir, Options{})
	commit(t, s, Batch{Snapshots: []Snapshot{{Pump: "P-101", Time: t0, Body: []byte("as learned")}}})
	check := func(when string) {
		t.Helper()
		if body, err := Peek(t.Context(), dir, "P-101"); err != nil || string(body) != "as learned" {
			t.Errorf("%s: %q, %v", when, body, err)
		}
	}
	check("while the agent works")
	if _, err := Peek(t.Context(), dir, "P-999"); !errors.Is(err, ErrNotFound) {
		t.Errorf("another pump: %v, want ErrNotFound", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	check("after it")
	if err := os.WriteFile(filepath.Join(dir, dbName), []byte("no database at all, but long enough to be taken for one"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Peek(t.Context(), dir, "P-101"); err == nil || errors.Is(err, ErrNotFound) {
		t.Errorf("damaged file: %v", err)
	}
}
