package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
)

// Peek reads a pump's last snapshot from a state directory that an agent may be working in, and changes nothing there. It is
// ErrNotFound where there is no state or no snapshot of the pump.
func Peek(ctx context.Context, dir, pump string) (body []byte, err error) {
	path, err := filepath.Abs(filepath.Join(dir, dbName))
	if err != nil {
		return nil, fmt.Errorf("state file in %s: %w", dir, err)
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("state file %s: %w", path, ErrNotFound)
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(5000)", "query_only(1)"}}.Encode()}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, fmt.Errorf("state file %s: %w", path, err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	_, body, err = snapshotOf(ctx, db, pump)
	return body, err
}
