// Package storagetest opens fresh databases for tests, on every engine.
package storagetest

import (
	"database/sql"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver that makes and drops databases

	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
)

// The environment variables: the connection string of a PostgreSQL superuser, and the explicit choice to do without.
const (
	PostgresEnv   = "COLDSECTION_TEST_POSTGRES"
	NoPostgresEnv = "COLDSECTION_TEST_NO_POSTGRES"
)

// Engines runs fn on a fresh database of each engine. A missing PostgreSQL fails the test unless COLDSECTION_TEST_NO_POSTGRES=1.
func Engines(t *testing.T, migrations storage.Migrations, fn func(t *testing.T, db *storage.DB)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { fn(t, SQLite(t, migrations)) })
	t.Run("postgres", func(t *testing.T) {
		if os.Getenv(PostgresEnv) == "" && os.Getenv(NoPostgresEnv) == "1" {
			t.Skip("PostgreSQL was left out by " + NoPostgresEnv)
		}
		fn(t, Postgres(t, migrations))
	})
}

// SQLite opens a fresh database in a temporary folder.
func SQLite(t testing.TB, migrations storage.Migrations) *storage.DB {
	t.Helper()
	return open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "test.db")}, migrations)
}

// Postgres opens a fresh database on the server of COLDSECTION_TEST_POSTGRES and drops it at the end.
func Postgres(t testing.TB, migrations storage.Migrations) *storage.DB {
	t.Helper()
	return open(t, storage.Config{Engine: storage.Postgres, DSN: FreshDSN(t)}, migrations)
}

// FreshDSN makes an empty PostgreSQL database for the test and returns its connection string.
func FreshDSN(t testing.TB) string {
	t.Helper()
	server := os.Getenv(PostgresEnv)
	if server == "" {
		t.Fatalf("no PostgreSQL: set %s to a superuser's connection string (integration/test.sh does), or %s=1 to leave it out", PostgresEnv, NoPostgresEnv)
	}
	admin, err := sql.Open("pgx", server)
	if err != nil {
		t.Fatal(err)
	}
	name := "test_" + strings.ReplaceAll(ids.System().New(), "-", "")
	if _, err := admin.ExecContext(t.Context(), "CREATE DATABASE "+name); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := admin.Exec("DROP DATABASE " + name + " WITH (FORCE)"); err != nil {
			t.Errorf("dropping %s: %v", name, err)
		}
		_ = admin.Close()
	})
	u, err := url.Parse(server)
	if err != nil {
		t.Fatal(fmt.Errorf("%s is no URL: %w", PostgresEnv, err))
	}
	u.Path = "/" + name
	return u.String()
}

func open(t testing.TB, cfg storage.Config, migrations storage.Migrations) *storage.DB {
	t.Helper()
	db, err := storage.Open(t.Context(), cfg, migrations)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Errorf("closing: %v", err)
		}
	})
	return db
}
