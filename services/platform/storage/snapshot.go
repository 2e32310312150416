package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
)

// Snapshot copies an SQLite database, which other processes may be writing, into a file that is not there yet. The copy is of one moment,
// holds everything that was acknowledged before it began, and lies on the disk when Snapshot returns.
func Snapshot(ctx context.Context, path, into string) (err error) {
	if _, err := os.Stat(path); err != nil {
		return err
	}
	if _, err := os.Stat(into); err == nil {
		return fmt.Errorf("%s is there already", into)
	}
	db, err := sql.Open("sqlite", sqliteDSN(path, false))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(ctx, "VACUUM INTO $1", into); err != nil {
		return fmt.Errorf("copying %s: %w", path, err)
	}
	return flush(into)
}

// flush writes a file to its disk.
func flush(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// Inspect opens an SQLite file that no process serves, checks its pages and lets look read and change it in one transaction; without an error
// of it, what it changed stays.
func Inspect(ctx context.Context, path string, look Func) (err error) {
	release, err := lockFile(path + ".lock")
	if err != nil {
		return err
	}
	db, err := sql.Open("sqlite", sqliteDSN(path, false))
	if err != nil {
		return errors.Join(err, release())
	}
	db.SetMaxOpenConns(1)
	defer func() { err = errors.Join(err, db.Close(), release(), os.Remove(path+".lock")) }()
	var verdict string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check").Scan(&verdict); err != nil || verdict != "ok" {
		return fmt.Errorf("%s is damaged: %s: %w", path, verdict, err)
	}
	raw, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = raw.Rollback() }()
	if err := look(ctx, &Tx{s: &direct{q: pooled{raw}}, engine: SQLite}); err != nil {
		return err
	}
	return raw.Commit()
}
