package storage_test

import (
	"context"
	"strings"
	"testing"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// A panic anywhere in a transaction is its error, also of what is heard only with the commit, and in a goroutine that nobody guards: nothing is
// kept, and the database serves the next one. After the commit it takes nothing back.
func TestAPanicIsAnErrorOfItsTransaction(t *testing.T) {
	boom := func() { panic("boom") }
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		for name, c := range map[string]struct {
			body storage.Func
			kept int
		}{
			"in the body": {func(context.Context, *storage.Tx) error { boom(); return nil }, 0},
			"in a check": {func(ctx context.Context, tx *storage.Tx) error {
				return tx.Queue(ctx, func(int64, error) error { boom(); return nil }, addThing, "check", 1)
			}, 0},
			"in a reader": {func(ctx context.Context, tx *storage.Tx) error {
				return tx.Ask(ctx, func(storage.Rows) error { boom(); return nil }, "SELECT id FROM things")
			}, 0},
			"after the commit": {func(ctx context.Context, tx *storage.Tx) error {
				tx.AfterCommit(boom)
				return tx.Queue(ctx, nil, addThing, "after", 1)
			}, 1},
		} {
			before := count(t, db)
			failed := make(chan error)
			go func() { failed <- db.Update(t.Context(), c.body) }()
			if err := <-failed; err == nil || !strings.Contains(err.Error(), "boom") {
				t.Errorf("%s: %v", name, err)
			}
			if kept := count(t, db) - before; kept != c.kept {
				t.Errorf("%s: %d rows were kept, want %d", name, kept, c.kept)
			}
			for i := range 10 { // more than there are connections
				if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
					_, err := tx.Exec(ctx, addThing, name+strings.Repeat("i", i), 1)
					return err
				}); err != nil {
					t.Errorf("%s: the next transaction: %v", name, err)
				}
			}
		}
	})
}
