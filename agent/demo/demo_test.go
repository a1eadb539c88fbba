package demo

import (
	"bytes"
	"log/slog"
	"math"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestPlay(t *testing.T) {
	var out, log bytes.Buffer
	t.Setenv("TMPDIR", t.TempDir())
	_, err := play(t.Context(), Options{Log: slog.New(slog.NewTextHandler(&log, nil)), Out: &out, Speed: math.Inf(1), For: 3 * time.Hour, Seed: 1})
	t.Log(err, out.String(), log.String())
}
