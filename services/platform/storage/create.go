package storage

import (
	"context"
	"database/sql"
	"errors"
	"net/url"
	"strings"

	"github.com/jackc/pgx/v5"
)

// EnsureDatabase makes the PostgreSQL database that a connection string names, where it is missing; the account must be
// allowed to. Two processes may do it at once.
func EnsureDatabase(ctx context.Context, dsn string) error {
	u, err := url.Parse(dsn)
	if err != nil {
		return errors.New("the PostgreSQL connection string is no URL; its form is postgres://user@host:port/database")
	}
	name := strings.TrimPrefix(u.Path, "/")
	u.Path = "/postgres"
	admin, err := sql.Open("pgx", u.String())
	if err != nil {
		return err
	}
	defer func() { _ = admin.Close() }()
	var there int
	if err := admin.QueryRowContext(ctx, "SELECT count(*) FROM pg_database WHERE datname = $1", name).Scan(&there); err != nil || there > 0 {
		return err
	}
	_, err = admin.ExecContext(ctx, "CREATE DATABASE "+pgx.Identifier{name}.Sanitize())
	if code := postgresCode(err); code == "42P04" || code == "23505" { // another process was quicker
		return nil
	}
	return err
}
