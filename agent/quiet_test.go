package agent

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"testing"
)

// TestQuiet checks what of the embedded broker's words reaches the log.
func TestQuiet(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(atLeastWarn{slog.NewTextHandler(&out, nil)}).With("listener", "tcp")
	log.Info("a client came")
	log.Warn("", "error", io.EOF)
	log.Warn("", "error", &net.OpError{Op: "read", Err: net.ErrClosed})
	log.Error("", "error", fmt.Errorf("read: %w", io.EOF))
	if out.Len() > 0 {
		t.Errorf("it lets through what is daily life:\n%s", &out)
	}
	log.Warn("quota reached")
	log.Warn("", "error", errors.New("malformed packet"))
	if text := out.String(); !strings.Contains(text, "quota reached") || !strings.Contains(text, "malformed packet") {
		t.Errorf("it lets %q through; both warnings belong there", text)
	}
}
