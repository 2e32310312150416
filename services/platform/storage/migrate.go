package storage

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/database"
)

//go:embed migrations
var platformFiles embed.FS

// migrate applies the platform's schema, then the service's, each with its own version table.
func migrate(ctx context.Context, db *sql.DB, engine Engine, service Migrations) error {
	own, err := fs.Sub(platformFiles, "migrations/"+string(engine))
	if err != nil {
		return err
	}
	if err := migrateOne(ctx, db, engine, "schema_platform", own); err != nil {
		return fmt.Errorf("platform schema: %w", err)
	}
	files := service.SQLite
	if engine == Postgres {
		files = service.Postgres
	}
	if files == nil {
		return nil
	}
	if err := migrateOne(ctx, db, engine, "schema_service", files); err != nil {
		return fmt.Errorf("service schema: %w", err)
	}
	return nil
}

func migrateOne(ctx context.Context, db *sql.DB, engine Engine, table string, files fs.FS) error {
	dialect := goose.DialectSQLite3
	if engine == Postgres {
		dialect = goose.DialectPostgres
		unlock, err := migrationLock(ctx, db)
		if err != nil {
			return err
		}
		defer unlock()
	}
	store, err := database.NewStore(dialect, table)
	if err != nil {
		return err
	}
	provider, err := goose.NewProvider("", db, files, goose.WithStore(store), goose.WithLogger(goose.NopLogger()))
	if err != nil {
		return err
	}
	have, want, err := provider.GetVersions(ctx)
	if err != nil {
		return err
	}
	if have > want {
		return fmt.Errorf("the data have schema version %d and this program knows %d; use the newer program", have, want)
	}
	_, err = provider.Up(ctx)
	return err
}

// migrationLock lets one of several instances that start at once migrate, and the others wait for it.
func migrationLock(ctx context.Context, db *sql.DB) (func(), error) {
	const key = 7_346_280_113
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	if _, err := conn.ExecContext(ctx, "SELECT pg_advisory_lock($1)", int64(key)); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return func() {
		_, _ = conn.ExecContext(context.WithoutCancel(ctx), "SELECT pg_advisory_unlock($1)", int64(key))
		_ = conn.Close()
	}, nil
}
