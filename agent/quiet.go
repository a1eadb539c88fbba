package agent

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"syscall"
)

// atLeastWarn lets only warnings and errors of the embedded broker through, less those of clients that went without a
// farewell: a broker sees that every day, and a client that matters here tells it in its own words.
type atLeastWarn struct{ slog.Handler }

// Enabled implements slog.Handler.
func (h atLeastWarn) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelWarn && h.Handler.Enabled(ctx, l)
}

// Handle implements slog.Handler.
func (h atLeastWarn) Handle(ctx context.Context, r slog.Record) error {
	gone := false
	r.Attrs(func(a slog.Attr) bool {
		err, ok := a.Value.Any().(error)
		gone = ok && (errors.Is(err, io.EOF) || errors.Is(err, net.ErrClosed) || errors.Is(err, syscall.ECONNRESET))
		return !gone
	})
	if gone {
		return nil
	}
	return h.Handler.Handle(ctx, r)
}

// WithAttrs implements slog.Handler.
func (h atLeastWarn) WithAttrs(attrs []slog.Attr) slog.Handler {
	return atLeastWarn{h.Handler.WithAttrs(attrs)}
}

// WithGroup implements slog.Handler.
func (h atLeastWarn) WithGroup(name string) slog.Handler {
	return atLeastWarn{h.Handler.WithGroup(name)}
}
