package storage

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// pragmas of every SQLite connection. FULL makes each commit durable across a power cut; NORMAL does not.
var pragmas = []string{
	"journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(ON)", "busy_timeout(5000)", "temp_store(MEMORY)",
}

// logPages is after how many pages the log is copied into the database, 32 MB, instead of SQLite's 1,000: one commit of a full group writes several
// hundred, and a page that many groups change is copied once. Until then the log grows, and a commit to a file that grows takes twice as long as one to
// a file that does not, longer still beside another (235 µs to 95, 379 to 109 beside another, measured on one machine): who writes little at a time has fewer.
const logPages = 8000

// readers is how many read at once, and ready how many of their connections stay open: one that is opened anew reads its settings and the schema first, and
// one that stays holds up to 2 MB of pages.
const readers, ready = 8, 4

func openSQLite(ctx context.Context, cfg Config, migrations Migrations) (_ *DB, err error) {
	if err := os.MkdirAll(filepath.Dir(cfg.Path), 0o700); err != nil {
		return nil, err
	}
	release, err := lockFile(cfg.Path + ".lock")
	if err != nil {
		return nil, err
	}
	db := &DB{engine: SQLite, release: release}
	defer func() {
		if err != nil {
			err = errors.Join(err, db.abandon())
		}
	}()
	if db.write, err = sql.Open("sqlite", sqliteDSN(cfg.Path, false, cfg.LogPages)); err != nil {
		return nil, err
	}
	db.write.SetMaxOpenConns(1)
	if err := migrate(ctx, db.write, SQLite, migrations); err != nil {
		return nil, err
	}
	if db.read, err = sql.Open("sqlite", sqliteDSN(cfg.Path, true, cfg.LogPages)); err != nil {
		return nil, err
	}
	db.read.SetMaxOpenConns(readers)
	db.read.SetMaxIdleConns(ready)
	conn, err := db.write.Conn(ctx)
	if err != nil {
		return nil, err
	}
	db.held = conn
	writes, err := newPrepared(conn)
	if err != nil {
		return nil, err
	}
	db.writer = startGroupWriter(writes, &db.trips)
	db.crowd = &crowd{db: db, held: map[string]bool{}}
	return db, nil
}

// abandon frees what a failed Open had taken.
func (db *DB) abandon() error {
	var errs []error
	for _, c := range []*sql.DB{db.write, db.read} {
		if c != nil {
			errs = append(errs, c.Close())
		}
	}
	if db.release != nil {
		errs = append(errs, db.release())
	}
	return errors.Join(errs...)
}

func sqliteDSN(path string, readOnly bool, pages int) string {
	q := url.Values{"_pragma": append(slices.Clone(pragmas), fmt.Sprintf("wal_autocheckpoint(%d)", cmp.Or(pages, logPages)))}
	if readOnly {
		q.Add("_pragma", "query_only(ON)")
	} else {
		q.Add("_pragma", "cache_size(-16000)") // 16 MB of pages stay with the one writer, so that no index is read again
	}
	return (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: q.Encode()}).String()
}

// lockFile keeps a second process away from the data; the system frees the lock when the process dies.
func lockFile(path string) (func() error, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("another process has %s open; end it, or use another state folder", path)
	}
	return f.Close, nil
}

// Free says whether no process has an SQLite file open, which may be damaged or gone.
func Free(path string) error {
	release, err := lockFile(path + ".lock")
	if err != nil {
		return err
	}
	return release()
}

// IsUnique reports whether err is the breach of a unique or primary key.
func IsUnique(err error) bool {
	return sqliteCode(err) == sqlite3.SQLITE_CONSTRAINT_UNIQUE || sqliteCode(err) == sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY ||
		postgresCode(err) == "23505"
}

// IsCheck reports whether err is the breach of a CHECK constraint.
func IsCheck(err error) bool {
	return sqliteCode(err) == sqlite3.SQLITE_CONSTRAINT_CHECK || postgresCode(err) == "23514"
}

// isConstraint reports whether SQLite refused a statement for a constraint, and took back what it had done so far.
func isConstraint(err error) bool { return sqliteCode(err)&0xff == sqlite3.SQLITE_CONSTRAINT }

func sqliteCode(err error) int {
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		return e.Code()
	}
	return 0
}
