package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"golang.org/x/sync/semaphore"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/wire"
)

// retries is how often a transaction is run again after a serialization failure or deadlock.
const retries = 8

func openPostgres(ctx context.Context, cfg Config, migrations Migrations) (*DB, error) {
	settings, err := pgx.ParseConfig(cfg.DSN)
	if err != nil {
		return nil, errors.New("the PostgreSQL connection string can't be read; its form is postgres://user@host:port/database")
	}
	settings.DialFunc = dial
	raw := stdlib.OpenDB(*settings)
	conns := cfg.MaxConns
	if conns == 0 {
		conns = 8
	}
	raw.SetMaxOpenConns(conns)
	raw.SetMaxIdleConns(conns)
	if err := errors.Join(checkDurability(ctx, raw)); err != nil {
		return nil, errors.Join(err, raw.Close())
	}
	if err := migrate(ctx, raw, Postgres, migrations); err != nil {
		return nil, errors.Join(err, raw.Close())
	}
	db := &DB{engine: Postgres, write: raw, read: raw, turn: semaphore.NewWeighted(int64(conns))}
	db.crowd = &crowd{db: db, held: map[string]bool{}}
	return db, nil
}

// deadAfter is how long PostgreSQL's machine may say nothing at all before a connection to it ends, whether a call waits on it or not; a server that
// works long on a statement still answers its system's signs of life.
const deadAfter = 20 * time.Second

func dial(ctx context.Context, network, address string) (net.Conn, error) {
	conn, err := (&net.Dialer{Timeout: deadAfter}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	if err := wire.Watch(conn, deadAfter); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return conn, nil
}

// checkDurability refuses a server that can lose an acknowledged commit.
func checkDurability(ctx context.Context, db *sql.DB) error {
	for _, setting := range []string{"fsync", "full_page_writes", "synchronous_commit"} {
		var value string
		if err := db.QueryRowContext(ctx, "SELECT current_setting($1)", setting).Scan(&value); err != nil {
			return fmt.Errorf("reaching PostgreSQL: %w", err)
		}
		if value == "off" || value == "local" {
			return fmt.Errorf("PostgreSQL has %s = %s and could lose what it acknowledged; set it to on", setting, value)
		}
	}
	var retry string
	if err := db.QueryRowContext(ctx, "SELECT current_setting('data_sync_retry')").Scan(&retry); err != nil {
		return fmt.Errorf("reaching PostgreSQL: %w", err)
	}
	if retry != "off" {
		return fmt.Errorf("PostgreSQL has data_sync_retry = %s and would go on after a failed fsync as if nothing was lost; set it to off", retry)
	}
	return nil
}

func (db *DB) updatePostgres(ctx context.Context, fn Func) error {
	for try := 0; ; try++ {
		err := db.tryPostgres(ctx, fn)
		_, refused := fault.As(err)
		if try < retries && (isRace(err) || broken(err) && !refused) { // what broke before its commit was sent left nothing
			continue
		}
		return undone(err)
	}
}

// isRace reports whether another transaction came in between, so that running again helps: a serialization failure, a
// deadlock, or two facts about one subject that took the same number.
func isRace(err error) bool {
	var e *pgconn.PgError
	if !errors.As(err, &e) {
		return false
	}
	return e.Code == "40001" || e.Code == "40P01" || (e.Code == "23505" && e.ConstraintName == "outbox_order")
}

// pipelined waits for its turn and does work on a connection of the driver's, which is rolled back where the work did not commit. What follows a
// commit happens in done, while the turn lasts.
func (db *DB) pipelined(ctx context.Context, work func(p *pipeline) error, done func() error) error {
	if err := db.turn.Acquire(ctx, 1); err != nil {
		return err
	}
	defer db.turn.Release(1)
	conn, err := db.write.Conn(ctx)
	if err != nil {
		return unavailable(err)
	}
	defer func() { _ = conn.Close() }()
	if err := conn.Raw(func(raw any) error {
		p := newPipeline(raw)
		defer func() { db.trips.Add(p.trips) }()
		defer p.rollback(context.WithoutCancel(ctx))
		return work(p)
	}); err != nil {
		return err
	}
	return done()
}

func (db *DB) tryPostgres(ctx context.Context, fn Func) error {
	tx := &Tx{engine: Postgres}
	return db.pipelined(ctx, func(p *pipeline) error {
		tx.s = p
		if err := guarded(ctx, fn, tx); err != nil {
			return err
		}
		return p.commit(ctx)
	}, tx.committed)
}

func postgresCode(err error) string {
	if e, ok := errors.AsType[*pgconn.PgError](err); ok {
		return e.Code
	}
	return ""
}
