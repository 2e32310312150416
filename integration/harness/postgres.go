package harness

import (
	"database/sql"
	"net/url"
	"os"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver that drops databases

	"coldsection.example/services/platform/storage/storagetest"
	"coldsection.example/services/suite"
)

// Postgres is a connection string from which every part makes its own database, dropped at the end of the test.
func Postgres(t testing.TB) string {
	t.Helper()
	dsn := storagetest.FreshDSN(t)
	u, err := url.Parse(dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		admin, err := sql.Open("pgx", os.Getenv(storagetest.PostgresEnv))
		if err != nil {
			t.Errorf("dropping databases: %v", err)
			return
		}
		defer func() { _ = admin.Close() }()
		for _, part := range suite.Parts {
			if _, err := admin.Exec("DROP DATABASE IF EXISTS " + u.Path[1:] + "_" + part + " WITH (FORCE)"); err != nil {
				t.Errorf("dropping the database of %s: %v", part, err)
			}
		}
	})
	return dsn
}
