package main

import (
	"bytes"
	"errors"
	"io"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"

	"diastole/agent/config"
	"diastole/agent/intake/recording"
	"diastole/agent/store"
	"diastole/agent/watch"
)

// TestCheckKnowsWhatWasLearned: beside a state the check speaks of the pump's own noise and pace, and beside one that is not usable it says
// so and goes on with the usual.
func TestCheckKnowsWhatWasLearned(t *testing.T) {
	const folder = "../../testdata/e2e"
	dir := t.TempDir()
	t.Setenv("STATE_DIRECTORY", dir)
	file := filepath.Join(folder, "diastole.yaml")
	cfg, err := config.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.DiscardHandler)
	site, err := watch.New(cfg, log)
	if err != nil {
		t.Fatal(err)
	}
	r, err := recording.Open(filepath.Join(folder, "wear.ndjson.zst"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for {
		m, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		site.Message(m)
	}
	pump := cfg.Pumps[0].ID
	at, snapshot, err := site.Snapshot(pump)
	if err != nil {
		t.Fatal(err)
	}
	keep := func(body []byte) {
		t.Helper()
		s, err := store.Open(t.Context(), dir, store.Options{Log: log})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(s.Commit(t.Context(), store.Batch{Snapshots: []store.Snapshot{{Pump: pump, Time: at, Body: body}}}), s.Close()); err != nil {
			t.Fatal(err)
		}
	}
	check := func() string {
		t.Helper()
		var out bytes.Buffer
		if err := (&checkCommand{Config: file}).Run(t.Context(), &streams{out: &out, err: &out, log: log}); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	keep(snapshot)
	if out := check(); !strings.Contains(out, "in a burst an hour, with the noise of this pump as learned") || strings.Contains(out, "usual") {
		t.Errorf("beside a state that has learned:\n%s", out)
	}
	keep([]byte("of another version"))
	if out := check(); !strings.Contains(out, "is not usable") || !strings.Contains(out, "usual for such a pump") {
		t.Errorf("beside a state that is not usable:\n%s", out)
	}
}
