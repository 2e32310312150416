package storagetest

import (
	"database/sql"
	"fmt"
	"os"
	"sync"
	"testing"
)

// fill takes a database that must be empty, puts a table into it and leaves a connection open, as a test that failed would.
func fill(t *testing.T) (dsn string) {
	dsn = FreshDSN(t)
	db, err := sql.Open("pgx", dsn)
	if err != nil {
		t.Fatal(err)
	}
	var tables int
	if err := db.QueryRow("SELECT COUNT(*) FROM pg_class WHERE relnamespace = 'public'::regnamespace").Scan(&tables); err != nil || tables != 0 {
		t.Errorf("%d tables and indexes stand in a fresh database: %v", tables, err)
	}
	if _, err := db.Exec("CREATE TABLE left_behind (a bigint PRIMARY KEY); CREATE VIEW seen AS SELECT a FROM left_behind; INSERT INTO left_behind VALUES (1)"); err != nil {
		t.Error(err)
	}
	return dsn
}

// Whoever takes databases one after the other or at once has an empty one each time, and nobody reaches one that was given back.
func TestADatabaseIsEmptyAndOnesOwn(t *testing.T) {
	if os.Getenv(PostgresEnv) == "" && os.Getenv(NoPostgresEnv) == "1" {
		t.Skip("PostgreSQL was left out by " + NoPostgresEnv)
	}
	var lock sync.Mutex
	seen := map[string]bool{}
	for round := range 2 {
		t.Run(fmt.Sprintf("round %d", round), func(t *testing.T) {
			for i := range mostSpare + 2 { // more than wait
				t.Run(fmt.Sprint(i), func(t *testing.T) {
					t.Parallel()
					dsn := fill(t)
					lock.Lock()
					defer lock.Unlock()
					if seen[dsn] {
						t.Errorf("%s was given out before", dsn)
					}
					seen[dsn] = true
				})
			}
		})
	}
	for dsn := range seen {
		db, err := sql.Open("pgx", dsn)
		if err != nil {
			t.Fatal(err)
		}
		if err := db.Ping(); err == nil {
			t.Errorf("%s is there after it was given back", dsn)
		}
		_ = db.Close()
	}
	if len(seen) != 2*(mostSpare+2) {
		t.Errorf("%d databases", len(seen))
	}
}
