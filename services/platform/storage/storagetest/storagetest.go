// Package storagetest opens fresh databases for tests, on every engine.
package storagetest

import (
	"context"
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

// Postgres opens an empty database on the server of COLDSECTION_TEST_POSTGRES, which is gone at the end.
func Postgres(t testing.TB, migrations storage.Migrations) *storage.DB {
	t.Helper()
	return open(t, storage.Config{Engine: storage.Postgres, DSN: FreshDSN(t)}, migrations)
}

// FreshDSN gives the test an empty PostgreSQL database under a name of its own, and returns its connection string.
func FreshDSN(t testing.TB) string {
	t.Helper()
	server := os.Getenv(PostgresEnv)
	if server == "" {
		t.Fatalf("no PostgreSQL: set %s to a superuser's connection string (integration/test.sh does), or %s=1 to leave it out", PostgresEnv, NoPostgresEnv)
	}
	u, err := url.Parse(server)
	if err != nil {
		t.Fatal(fmt.Errorf("%s is no URL: %w", PostgresEnv, err))
	}
	admin, err := sql.Open("pgx", server)
	if err != nil {
		t.Fatal(err)
	}
	name := "test_" + strings.ReplaceAll(ids.System().New(), "-", "")
	u.Path = "/" + name
	if err := take(t.Context(), admin, name); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := give(context.WithoutCancel(t.Context()), admin, name, u.String()); err != nil {
			t.Errorf("giving %s back: %v", name, err)
		}
		_ = admin.Close()
	})
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

// Statements run on a store in one transaction and have to succeed.
func Statements(t testing.TB, db *storage.DB, all ...string) {
	t.Helper()
	if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for _, one := range all {
			if _, err := tx.Exec(ctx, one); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}
