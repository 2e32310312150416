package storage_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

func schema(sql string) storage.Migrations {
	files := fstest.MapFS{"0001_test.sql": {Data: []byte("-- +goose Up\n" + sql)}}
	return storage.Migrations{SQLite: files, Postgres: files}
}

var things = schema("CREATE TABLE things (id TEXT PRIMARY KEY, amount BIGINT NOT NULL CHECK (amount >= 0), note TEXT);")

func insert(id string, amount int64) storage.Func {
	return func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "INSERT INTO things (id, amount) VALUES ($1, $2)", id, amount)
		return err
	}
}

func count(t *testing.T, db *storage.DB) int {
	t.Helper()
	var n int
	if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT count(*) FROM things").Scan(&n)
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestUpdateCommitsOrLeavesNothing(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		boom, ctx, called := errors.New("boom"), t.Context(), 0
		body := func(fail error) storage.Func {
			return func(ctx context.Context, tx *storage.Tx) error {
				tx.AfterCommit(func() { called++ })
				if err := insert("a", 1)(ctx, tx); err != nil {
					return err
				}
				return fail
			}
		}
		if err := db.Update(ctx, body(boom)); !errors.Is(err, boom) || count(t, db) != 0 || called != 0 {
			t.Fatalf("refused: %v, %d rows, %d calls", err, count(t, db), called)
		}
		if err := db.Update(ctx, body(nil)); err != nil || count(t, db) != 1 || called != 1 {
			t.Fatalf("committed: %v, %d rows, %d calls", err, count(t, db), called)
		}
	})
}

func TestConstraintsAreRecognised(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		if err := db.Update(t.Context(), insert("a", 1)); err != nil {
			t.Fatal(err)
		}
		if err := db.Update(t.Context(), insert("a", 1)); !storage.IsUnique(err) || storage.IsCheck(err) {
			t.Errorf("twice: %v", err)
		}
		if err := db.Update(t.Context(), insert("b", -1)); !storage.IsCheck(err) || storage.IsUnique(err) {
			t.Errorf("negative: %v", err)
		}
	})
}

// A refusal, a panic and a cancelled caller in one group must not touch their neighbours.
func TestNeighboursInAGroupDoNotSinkEachOther(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		var wg sync.WaitGroup
		for i := range 200 {
			wg.Go(func() {
				ctx, cancel := context.WithCancel(context.Background())
				defer cancel()
				err := db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
					if err := insert(string(rune('A'+i%26))+string(rune('a'+i/26)), 1)(ctx, tx); err != nil {
						return err
					}
					if i%4 == 1 {
						panic("a bug in a use case")
					}
					if i%4 == 2 {
						return errors.New("refused")
					}
					return nil
				})
				if good := i%4 == 0 || i%4 == 3; good != (err == nil) {
					t.Errorf("%d: %v", i, err)
				}
			})
		}
		wg.Wait()
		if n := count(t, db); n != 100 {
			t.Errorf("%d rows, want 100", n)
		}
	})
}

func TestACancelledCallerChangesNothing(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := db.Update(ctx, insert("a", 1)); err == nil || count(t, db) != 0 {
			t.Errorf("got %v and %d rows", err, count(t, db))
		}
	})
}

func TestViewCanNotWrite(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		if err := db.View(t.Context(), insert("a", 1)); err == nil {
			t.Error("a view wrote")
		}
	})
}

// The durability settings are read from the live connection, because a DSN can be ignored silently.
func TestSQLiteSettings(t *testing.T) {
	db := storagetest.SQLite(t, things)
	want := map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "busy_timeout": "5000", "mmap_size": "0"}
	check := func(name, value string) func(context.Context, *storage.Tx) error {
		return func(ctx context.Context, tx *storage.Tx) error {
			var got string
			if err := tx.QueryRow(ctx, "PRAGMA "+name).Scan(&got); err != nil {
				return err
			}
			if got != value {
				t.Errorf("%s = %s, want %s", name, got, value)
			}
			return nil
		}
	}
	for name, value := range want {
		for kind, run := range map[string]func(context.Context, storage.Func) error{"write": db.Update, "read": db.View} {
			if err := run(t.Context(), check(name, value)); err != nil {
				t.Errorf("%s %s: %v", kind, name, err)
			}
		}
	}
}

func TestASecondProcessIsKeptAway(t *testing.T) {
	path := filepath.Join(t.TempDir(), "one.db")
	open := func() (*storage.DB, error) {
		return storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: path}, things)
	}
	first, err := open()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := open(); err == nil {
		t.Fatal("opened twice")
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := open()
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Close(); err != nil {
		t.Error(err)
	}
}

func TestANewerSchemaIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "one.db")
	cfg := storage.Config{Engine: storage.SQLite, Path: path}
	newer := things
	newer.SQLite = fstest.MapFS{
		"0001_test.sql": {Data: []byte("-- +goose Up\nCREATE TABLE things (id TEXT);")},
		"0002_more.sql": {Data: []byte("-- +goose Up\nCREATE TABLE more (id TEXT);")},
	}
	db, err := storage.Open(t.Context(), cfg, newer)
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if db, err := storage.Open(t.Context(), cfg, things); err == nil {
		_ = db.Close()
		t.Error("a newer schema was accepted")
	}
}

func TestInstantsRoundTrip(t *testing.T) {
	at := time.Date(2026, 3, 29, 1, 59, 59, 123456000, time.FixedZone("", 3600))
	if got := storage.FromMicros(storage.Micros(at)); !got.Equal(at) || got.Location() != time.UTC {
		t.Errorf("got %v", got)
	}
	if storage.Micros(time.Time{}) != 0 || !storage.FromMicros(0).IsZero() {
		t.Error("zero is not zero")
	}
}

// Before 3.51.3 two connections that write and checkpoint at once could corrupt the log (the page of SQLite on the WAL reset bug).
func TestTheSQLiteEngineIsNotOneThatCorruptsItsLog(t *testing.T) {
	db := storagetest.SQLite(t, things)
	err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		var version string
		if err := tx.QueryRow(ctx, "SELECT sqlite_version()").Scan(&version); err != nil {
			return err
		}
		var major, minor, patch int
		if _, err := fmt.Sscanf(version, "%d.%d.%d", &major, &minor, &patch); err != nil {
			return err
		}
		if major*1_000_000+minor*1_000+patch < 3_051_003 {
			t.Errorf("SQLite %s", version)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// What Open checks of a PostgreSQL server is read from the server that the tests use.
func TestPostgreSQLSettings(t *testing.T) {
	db := storagetest.Postgres(t, things)
	for name, want := range map[string]string{"fsync": "on", "full_page_writes": "on", "synchronous_commit": "on", "data_sync_retry": "off"} {
		err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			var got string
			if err := tx.QueryRow(ctx, "SELECT current_setting($1)", name).Scan(&got); err != nil {
				return err
			}
			if got != want {
				t.Errorf("%s = %s, want %s", name, got, want)
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
}
