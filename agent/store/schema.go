package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// applicationID marks the file as ours ("DIAS" in ASCII) in SQLite's header.
const applicationID = 0x44494153

// migrations lead from format version i to i+1; the version is kept in PRAGMA user_version, and again in
// the table meta, because nothing else would tell a flipped bit in the header from a newer program.
//
// Times are nanoseconds since 1970 UTC. A sum is the CRC-32C of the row's content: SQLite has no checksum
// of its own over what a row holds.
var migrations = []string{
	// 0 -> 1
	`CREATE TABLE meta (version INTEGER NOT NULL);
	INSERT INTO meta VALUES (1);

	-- Clustered by pump and time: that is how epochs are read back.
	CREATE TABLE epoch (
		pump  TEXT    NOT NULL,
		start INTEGER NOT NULL,
		state INTEGER NOT NULL,
		body  BLOB    NOT NULL,
		PRIMARY KEY (pump, start)
	) WITHOUT ROWID;

	CREATE TABLE event (
		id   TEXT    NOT NULL PRIMARY KEY,
		pump TEXT    NOT NULL,
		time INTEGER NOT NULL,
		body TEXT    NOT NULL,
		sum  INTEGER NOT NULL
	) WITHOUT ROWID;
	CREATE INDEX event_pump ON event (pump, time);
	CREATE INDEX event_time ON event (time);

	CREATE TABLE ticket (
		id    TEXT    NOT NULL PRIMARY KEY,
		pump  TEXT    NOT NULL,
		state TEXT    NOT NULL,
		time  INTEGER NOT NULL,
		body  TEXT    NOT NULL,
		sum   INTEGER NOT NULL
	) WITHOUT ROWID;

	CREATE TABLE advisory (
		id   TEXT    NOT NULL PRIMARY KEY,
		pump TEXT    NOT NULL,
		open INTEGER NOT NULL,
		time INTEGER NOT NULL,
		body TEXT    NOT NULL,
		sum  INTEGER NOT NULL
	) WITHOUT ROWID;

	CREATE TABLE snapshot (
		pump TEXT    NOT NULL PRIMARY KEY,
		time INTEGER NOT NULL,
		body BLOB    NOT NULL,
		sum  INTEGER NOT NULL
	) WITHOUT ROWID;

	-- One row for what is to be sent, whoever gets it; each receiver has a cursor into it. AUTOINCREMENT,
	-- so that a number is never used twice: a cursor would skip the second use.
	-- Epochs and events are read from their own tables; body is for the kinds that have none.
	CREATE TABLE outbox (
		seq   INTEGER PRIMARY KEY AUTOINCREMENT,
		kind  INTEGER NOT NULL,
		pump  TEXT    NOT NULL,
		time  INTEGER NOT NULL,
		id    TEXT    NOT NULL,
		bytes INTEGER NOT NULL,
		body  TEXT    NOT NULL,
		sum   INTEGER NOT NULL
	);
	-- With bytes, so that what waits is measured from the index alone.
	CREATE INDEX outbox_kind ON outbox (kind, seq, bytes);

	CREATE TABLE receiver (
		name   TEXT    NOT NULL PRIMARY KEY,
		kinds  INTEGER NOT NULL,
		cursor INTEGER NOT NULL
	) WITHOUT ROWID;

	CREATE TABLE aside (
		receiver TEXT    NOT NULL,
		seq      INTEGER NOT NULL,
		kind     INTEGER NOT NULL,
		pump     TEXT    NOT NULL,
		time     INTEGER NOT NULL,
		id       TEXT    NOT NULL,
		reason   TEXT    NOT NULL,
		body     BLOB    NOT NULL,
		PRIMARY KEY (receiver, seq)
	) WITHOUT ROWID;

	CREATE TABLE dropped (
		receiver TEXT    NOT NULL,
		kind     INTEGER NOT NULL,
		reason   TEXT    NOT NULL,
		rows     INTEGER NOT NULL,
		PRIMARY KEY (receiver, kind, reason)
	) WITHOUT ROWID;`,

	// 1 -> 2: what was done to pumps, and which body stands where.
	`CREATE TABLE rebuild (
		id   TEXT    NOT NULL PRIMARY KEY,
		pump TEXT    NOT NULL,
		time INTEGER NOT NULL,
		body TEXT    NOT NULL,
		sum  INTEGER NOT NULL
	) WITHOUT ROWID;
	CREATE INDEX rebuild_time ON rebuild (time);

	CREATE TABLE body (
		id   TEXT    NOT NULL PRIMARY KEY,
		body TEXT    NOT NULL,
		sum  INTEGER NOT NULL
	) WITHOUT ROWID;`,
}

// migrate brings the file to the present format; fresh tells that it held nothing yet.
func migrate(ctx context.Context, db *sql.DB) (fresh bool, err error) {
	var version, app int64
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return false, classify(err)
	}
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return false, classify(err)
	}
	var tables int
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return false, classify(err)
	}
	fresh = version == 0 && app == 0 && tables == 0
	if !fresh {
		if err := knownFormat(ctx, db, version, app); err != nil {
			return false, err
		}
	}
	for v := version; v < int64(len(migrations)); v++ {
		err := inTx(ctx, db, func(tx *sql.Tx) error {
			// Pragmas take no parameters.
			script := fmt.Sprintf( //nolint:gosec // integers and our own text
				"%s\nUPDATE meta SET version = %d; PRAGMA user_version = %d; PRAGMA application_id = %d;",
				migrations[v], v+1, v+1, applicationID)
			_, err := tx.ExecContext(ctx, script)
			return err
		})
		if err != nil {
			return false, fmt.Errorf("bring the state file to format %d: %w", v+1, err)
		}
	}
	return fresh, probe(ctx, db)
}

// probe writes without a change. A header that a flipped bit marks as read-only is met here and not at the
// first commit.
func probe(ctx context.Context, db *sql.DB) error {
	_, err := db.ExecContext(ctx, "UPDATE meta SET version = version")
	var e *sqlite.Error
	if errors.As(err, &e) && e.Code()&0xff == sqlite3.SQLITE_READONLY {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return classify(err)
}

// knownFormat checks that a file that is not fresh is ours and not from a newer program.
func knownFormat(ctx context.Context, db *sql.DB, version, app int64) error {
	if app != applicationID {
		return fmt.Errorf("%w: its application id is %#x, not %#x", ErrDamaged, app, applicationID)
	}
	var again int64
	if err := db.QueryRowContext(ctx, "SELECT version FROM meta").Scan(&again); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if again != version || version < 1 {
		return fmt.Errorf("%w: the header says format %d, the table meta %d", ErrDamaged, version, again)
	}
	if version > int64(len(migrations)) {
		return fmt.Errorf("%w: the file has format %d, this program knows up to %d; run the newer version, or choose another state directory", ErrNewer, version, len(migrations))
	}
	return nil
}
