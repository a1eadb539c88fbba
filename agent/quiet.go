package agent

import (
	"context"
	"log/slog"
)

// atLeastWarn lets only warnings and errors of a library through.
type atLeastWarn struct{ slog.Handler }

// Enabled implements slog.Handler.
func (h atLeastWarn) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelWarn && h.Handler.Enabled(ctx, l)
}

// WithAttrs implements slog.Handler.
func (h atLeastWarn) WithAttrs(attrs []slog.Attr) slog.Handler {
	return atLeastWarn{h.Handler.WithAttrs(attrs)}
}

// WithGroup implements slog.Handler.
func (h atLeastWarn) WithGroup(name string) slog.Handler {
	return atLeastWarn{h.Handler.WithGroup(name)}
}
