// Package storage opens a service's database, SQLite or PostgreSQL, and runs its transactions.
//
// Both engines run the same SQL: $n placeholders, text, bigint and blob columns only, instants as microseconds since 1970.
// A write transaction is a closure. On SQLite one writer runs them and many share one durable commit (group commit); on PostgreSQL each has its
// own transaction and is run again after a serialization failure or deadlock. On both, those that say what they hold run side by side in one
// and share its statements too (UpdateHolding).
// A closure can therefore run more than once and must not call anything outside the database; AfterCommit is for that.
//
// SQLite runs in WAL mode with synchronous=FULL: a commit that was acknowledged survives a power cut. PostgreSQL keeps
// fsync, full_page_writes and synchronous_commit on, which Open checks.
package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"

	"coldsection.example/services/platform/fault"
)

// Engine names a database engine.
type Engine string

// The engines.
const (
	SQLite   Engine = "sqlite"
	Postgres Engine = "postgres"
)

// Config says which database a service uses.
type Config struct {
	Engine   Engine // sqlite or postgres
	Path     string // sqlite: the file
	LogPages int    // sqlite: how many pages the log has before they are copied into the file and it begins anew; 0 means 8,000
	DSN      string // postgres: the connection string
	MaxConns int    // postgres: connections; 0 means 8
}

// Migrations are the schema of a service: forward-only files 0001_name.sql, … in goose format, with equal numbers on both
// engines.
type Migrations struct {
	SQLite, Postgres fs.FS
}

// ErrNoRows is what a Row's Scan returns when the query matched nothing.
var ErrNoRows = sql.ErrNoRows

// DB is an open database.
type DB struct {
	engine  Engine
	write   *sql.DB
	read    *sql.DB
	writer  *groupWriter
	held    *sql.Conn // sqlite: what the writer's connection was taken from
	release func() error
	turn    *semaphore.Weighted // postgres: who waits longest writes next; the pool would draw lots
	crowd   *crowd              // those who share transactions
	changes atomic.Uint64
	trips   atomic.Uint64
}

// Open opens the database and brings its schema up to date: the platform's tables and the service's. It refuses a schema
// newer than this program, and an SQLite file that another process has open.
func Open(ctx context.Context, cfg Config, migrations Migrations) (*DB, error) {
	switch cfg.Engine {
	case SQLite:
		return openSQLite(ctx, cfg, migrations)
	case Postgres:
		return openPostgres(ctx, cfg, migrations)
	default:
		return nil, fmt.Errorf("storage engine %q is neither %q nor %q", cfg.Engine, SQLite, Postgres)
	}
}

// Engine says which engine it is.
func (db *DB) Engine() Engine { return db.engine }

// Ping says whether the database answers.
func (db *DB) Ping(ctx context.Context) error { return db.read.PingContext(ctx) }

// Close ends every connection; it waits for the transaction under way.
func (db *DB) Close() error {
	if db.writer != nil {
		db.writer.stop()
	}
	var errs []error
	if db.held != nil {
		errs = append(errs, db.held.Close())
	}
	errs = append(errs, db.read.Close(), db.write.Close())
	if db.release != nil {
		errs = append(errs, db.release())
	}
	return errors.Join(errs...)
}

// Func is the body of a transaction; an error rolls it back and is returned to the caller.
type Func func(ctx context.Context, tx *Tx) error

// Update runs fn in one write transaction and returns once it is durable.
func (db *DB) Update(ctx context.Context, fn Func) error {
	defer db.changes.Add(1) // whatever came of it: a commit may have happened although it failed
	return db.UpdateUncounted(ctx, fn)
}

// UpdateHolding is Update for a body that says which things it holds: no other body that holds one of them runs at the same time, and
// of those that hold others many share one transaction and its commit. All that it changes must belong to what it holds, be new, be
// changed by a statement that names the version that was read, or be one statement's doing that reads and changes. It costs most
// when it fails after its first change, so it looks first.
func (db *DB) UpdateHolding(ctx context.Context, holds []string, fn Func) error {
	defer db.changes.Add(1)
	return lost(db.crowd.do(ctx, holds, fn))
}

// UpdateUncounted is Update for rows that nobody remembers having read, such as those of a log: Changes does not count it.
func (db *DB) UpdateUncounted(ctx context.Context, fn Func) error {
	if db.writer != nil {
		return db.writer.do(ctx, fn)
	}
	return lost(db.updatePostgres(ctx, fn))
}

// Changes counts the Updates of this process that ended: what was read before an Update returned may be outdated after it.
func (db *DB) Changes() uint64 { return db.changes.Load() }

// Trips counts how often Updates of this process waited for the database: on PostgreSQL round trips, with the commit; on SQLite
// statements, without what a group of transactions shares.
func (db *DB) Trips() uint64 { return db.trips.Load() }

// Sole says whether no other process writes this database, so that Changes tells of every change.
func (db *DB) Sole() bool { return db.engine == SQLite }

// View runs fn on one snapshot; writes in it fail.
func (db *DB) View(ctx context.Context, fn Func) error {
	level := sql.LevelDefault
	if db.engine == Postgres {
		level = sql.LevelRepeatableRead
	}
	raw, err := db.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true, Isolation: level})
	for try := 0; try < retries && db.engine == Postgres && broken(err); try++ { // a connection that broke while nobody used it; the pool has others
		raw, err = db.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true, Isolation: level})
	}
	if err != nil {
		return unavailable(err)
	}
	defer func() { _ = raw.Rollback() }()
	if err = fn(ctx, &Tx{s: &direct{q: pooled{raw}}, engine: db.engine}); db.engine == Postgres && broken(err) {
		if _, refused := fault.As(err); !refused {
			return unavailable(err)
		}
	}
	return err
}

func unavailable(err error) error {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fault.New(fault.Unavailable, "STORE_UNAVAILABLE", "The store can't be reached. Nothing was changed; try again.").Because(err)
}

// Micros is an instant as the stores keep it; the zero time is 0.
func Micros(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMicro()
}

// FromMicros is the inverse of Micros, in UTC.
func FromMicros(us int64) time.Time {
	if us == 0 {
		return time.Time{}
	}
	return time.UnixMicro(us).UTC()
}
