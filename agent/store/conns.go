package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// conns are the three ways into one file; see the package comment.
type conns struct {
	write *sql.DB
	ack   *sql.DB
	read  *sql.DB
}

// journalLimit is what the journal file is cut back to after a checkpoint, bytes.
const journalLimit = 4 << 20

// dial opens the file. The pragmas stand in the DSN because they belong to a connection, not to the file,
// and database/sql makes connections as it likes.
func dial(path string) (*conns, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("state file %s: %w", path, err)
	}
	open := func(conns int, pragmas ...string) *sql.DB {
		q := url.Values{"_txlock": {"immediate"}}
		q["_pragma"] = append([]string{"busy_timeout(5000)"}, pragmas...)
		u := url.URL{Scheme: "file", Path: abs, RawQuery: q.Encode()}
		db, openErr := sql.Open("sqlite", u.String())
		err = errors.Join(err, openErr)
		if openErr == nil {
			db.SetMaxOpenConns(conns)
		}
		return db
	}
	wal := []string{"journal_mode(WAL)", fmt.Sprintf("journal_size_limit(%d)", journalLimit)}
	c := &conns{
		write: open(1, append(wal, "synchronous(FULL)")...),
		ack:   open(1, append(wal, "synchronous(NORMAL)")...),
		read:  open(2, "query_only(1)"),
	}
	if err != nil {
		return nil, fmt.Errorf("state file %s: %w", path, err)
	}
	return c, nil
}

func (c *conns) close() error {
	return errors.Join(c.read.Close(), c.ack.Close(), c.write.Close())
}

// classify gives an error of the driver one of the package's own names where it has one.
func classify(err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return err
	}
	switch e.Code() & 0xff { // the low byte is the primary result code
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	case sqlite3.SQLITE_FULL:
		return fmt.Errorf("%w: %w", ErrFull, err)
	}
	return err
}

// inTx runs f in one transaction of db.
func inTx(ctx context.Context, db *sql.DB, f func(*sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return classify(err)
	}
	if err := f(tx); err != nil {
		// Its error tells nothing more: a full disk, for one, has made SQLite roll back by itself.
		_ = tx.Rollback()
		return classify(err)
	}
	return classify(tx.Commit())
}

// nanoseconds is t as it is stored. Times outside the int64 range (the years 1678 to 2261) are refused.
func nanoseconds(t time.Time) (int64, error) {
	if y := t.Year(); y < 1678 || y > 2261 {
		return 0, fmt.Errorf("%w: time %s is outside the years 1678 to 2261", ErrInvalid, t.Format(time.RFC3339))
	}
	return t.UnixNano(), nil
}

func fromNanoseconds(ns int64) time.Time { return time.Unix(0, ns).UTC() }
