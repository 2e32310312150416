package storagetest

import (
	"context"
	"database/sql"
	"errors"
	"strings"

	"coldsection.example/services/platform/ids"
)

// To make a database takes the server some hundred files, and to drop one a checkpoint: with hundreds of tests, minutes. So an emptied
// database waits under the name of a spare one until another test, of any process, gives it its own name. Whoever still holds the old name
// finds nothing under it, as if the database had been dropped.
const (
	spare     = "spare_"
	mostSpare = 8 // that wait at most, which are all that is left of a test run
)

// take gives a database that is empty a name: a spare one, or a new one when there is none.
func take(ctx context.Context, admin *sql.DB, name string) error {
	for range mostSpare {
		var found string
		err := admin.QueryRowContext(ctx, "SELECT datname FROM pg_database WHERE starts_with(datname, $1) ORDER BY random() LIMIT 1", spare).Scan(&found)
		if errors.Is(err, sql.ErrNoRows) {
			break
		}
		if err != nil {
			return err
		}
		if _, err := admin.ExecContext(ctx, "ALTER DATABASE "+found+" RENAME TO "+name); err == nil {
			return nil
		} // another test was quicker
	}
	_, err := admin.ExecContext(ctx, "CREATE DATABASE "+name)
	return err
}

// give empties a database and leaves it as a spare one; one that can't be emptied, or is one too many, is dropped.
func give(ctx context.Context, admin *sql.DB, name, dsn string) error {
	var waiting int
	err := admin.QueryRowContext(ctx, "SELECT COUNT(*) FROM pg_database WHERE starts_with(datname, $1)", spare).Scan(&waiting)
	if err == nil && waiting < mostSpare && empty(ctx, admin, name, dsn) == nil {
		if _, err := admin.ExecContext(ctx, "ALTER DATABASE "+name+" RENAME TO "+spare+strings.ReplaceAll(ids.System().New(), "-", "")); err == nil {
			return nil
		}
	}
	_, err = admin.ExecContext(ctx, "DROP DATABASE "+name+" WITH (FORCE)")
	return err
}

// empty ends all connections to a database and takes all out of it.
func empty(ctx context.Context, admin *sql.DB, name, dsn string) error {
	if _, err := admin.ExecContext(ctx, "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE datname = $1", name); err != nil {
		return err
	}
	db, err := sql.Open("pgx", dsn)
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, "DROP SCHEMA public CASCADE; CREATE SCHEMA public")
	return errors.Join(err, db.Close())
}
