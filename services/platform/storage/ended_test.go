package storage_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// changing are the ways to change what a store keeps.
var changing = map[string]func(ctx context.Context, db *storage.DB, fn storage.Func) error{
	"alone": func(ctx context.Context, db *storage.DB, fn storage.Func) error { return db.Update(ctx, fn) },
	"holding": func(ctx context.Context, db *storage.DB, fn storage.Func) error {
		return db.UpdateHolding(ctx, []string{"it"}, fn)
	},
}

// A commit that fails, although every statement was done, is told to the caller; nothing is kept, nobody hears that it was durable, and the next
// transaction goes on.
func TestACommitThatFailsIsNone(t *testing.T) {
	owed := schema("CREATE TABLE things (id TEXT PRIMARY KEY, amount BIGINT NOT NULL);\n" +
		"CREATE TABLE owed (thing TEXT NOT NULL REFERENCES things (id) DEFERRABLE INITIALLY DEFERRED);")
	storagetest.Engines(t, owed, func(t *testing.T, db *storage.DB) {
		rows := 0
		for name, change := range changing {
			told := 0
			err := change(t.Context(), db, func(ctx context.Context, tx *storage.Tx) error {
				tx.AfterCommit(func() { told++ })
				_, err := tx.Exec(ctx, "INSERT INTO owed (thing) VALUES ('nothing')")
				return errors.Join(err, insert(name, 1)(ctx, tx))
			})
			if err == nil || told != 0 || db.Engine() == storage.SQLite && !fault.HasReason(err, "STORE_UNAVAILABLE") {
				t.Errorf("%s: %v, told %d times", name, err, told)
			}
			if n := count(t, db); n != rows {
				t.Errorf("%s: %d rows after a commit that failed, want %d", name, n, rows)
			}
			if err := change(t.Context(), db, func(ctx context.Context, tx *storage.Tx) error {
				tx.AfterCommit(func() { told++ })
				return insert(name+" then", 1)(ctx, tx)
			}); err != nil || told != 1 {
				t.Errorf("%s, the next: %v, told %d times", name, err, told)
			}
			rows++
		}
	})
}

// Who gives up while others are at work is told so, and what he wanted is not done.
func TestWhoGivesUpBeforeHisTurnChangesNothing(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		writers := 1
		if db.Engine() == storage.Postgres {
			writers = 8 // connections
		}
		var atWork, waiting sync.WaitGroup
		begun, proceed := make(chan struct{}, writers), make(chan struct{})
		for range writers {
			atWork.Go(func() {
				_ = db.Update(t.Context(), func(context.Context, *storage.Tx) error { begun <- struct{}{}; <-proceed; return nil })
			})
		}
		for range writers {
			<-begun
		}
		ctx, leave := context.WithCancel(t.Context())
		for i := range 5 {
			waiting.Go(func() {
				if err := db.Update(ctx, insert(fmt.Sprint(i), 1)); !errors.Is(err, context.Canceled) {
					t.Errorf("who gave up is told: %v", err)
				}
			})
		}
		leave()
		waiting.Wait()
		close(proceed)
		atWork.Wait()
		if err := db.Update(t.Context(), insert("done", 1)); err != nil || count(t, db) != 1 {
			t.Errorf("%v, %d rows", err, count(t, db))
		}
	})
}

// A store that was closed says that it can't be reached.
func TestAClosedStoreCantBeReached(t *testing.T) {
	configs := []storage.Config{{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "things.db")}}
	if os.Getenv(storagetest.NoPostgresEnv) == "" {
		configs = append(configs, storage.Config{Engine: storage.Postgres, DSN: storagetest.FreshDSN(t)})
	}
	for _, config := range configs {
		db, err := storage.Open(t.Context(), config, things)
		if err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		for name, change := range changing {
			if err := change(t.Context(), db, insert(name, 1)); !fault.HasReason(err, "STORE_UNAVAILABLE") {
				t.Errorf("%s, %s: %v", config.Engine, name, err)
			}
		}
	}
}

// Who is alone and fails after he wrote is taken back at once, and his body doesn't run again.
func TestWhoFailsAloneRunsOnce(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		refused, ran := errors.New("refused"), 0
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			ran++
			return errors.Join(insert("a", 1)(ctx, tx), refused)
		})
		if !errors.Is(err, refused) || ran != 1 || count(t, db) != 0 {
			t.Errorf("%v, ran %d times, %d rows", err, ran, count(t, db))
		}
	})
}
