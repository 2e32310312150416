package storage_test

import (
	"context"
	"errors"
	"testing"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// What is tried and fails is taken back, whatever it failed of, with what it put off and what it would have done after the commit; the
// transaction goes on.
func TestWhatIsTriedAndFailsLeavesNothing(t *testing.T) {
	wrong := errors.New("no")
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		told := 0
		add := func(tx *storage.Tx, id string, put func(ctx context.Context, query string, args ...any) error, end error) func(ctx context.Context) error {
			return func(ctx context.Context) error {
				tx.AfterCommit(func() { told++ })
				return errors.Join(put(ctx, addThing, id, 1), end)
			}
		}
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			now := func(ctx context.Context, query string, args ...any) error {
				_, err := tx.Exec(ctx, query, args...)
				return err
			}
			later := func(ctx context.Context, query string, args ...any) error { return tx.Queue(ctx, nil, query, args...) }
			if err := later(ctx, addThing, "first", 1); err != nil {
				return err
			}
			for _, try := range []func(ctx context.Context) error{add(tx, "a", now, wrong), add(tx, "b", later, wrong), add(tx, "first", now, nil), add(tx, "first", later, nil)} {
				if tx.Try(ctx, try) == nil {
					t.Error("a failure is swallowed")
				}
			}
			for id, put := range map[string]func(ctx context.Context, query string, args ...any) error{"c": now, "d": later} {
				if err := tx.Try(ctx, add(tx, id, put, nil)); err != nil {
					t.Errorf("%s: %v", id, err)
				}
			}
			return nil
		})
		if err != nil || count(t, db) != 3 || told != 2 {
			t.Errorf("%v: %d rows, told %d times", err, count(t, db), told)
		}
		err = db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return errors.Join(tx.Try(ctx, add(tx, "e", func(ctx context.Context, query string, args ...any) error {
				_, err := tx.Exec(ctx, query, args...)
				return err
			}, nil)), wrong)
		})
		if !errors.Is(err, wrong) || count(t, db) != 3 {
			t.Errorf("a transaction that failed: %v, %d rows", err, count(t, db))
		}
	})
}
