package storage_test

import (
	"context"
	"errors"
	"slices"
	"testing"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

const addThing = "INSERT INTO things (id, amount) VALUES ($1, $2)"

func text(row storage.Scanner) (s string, err error) {
	err = row.Scan(&s)
	return s, err
}

// What is put off is done before anybody reads, and in the order in which it was asked for.
func TestWhatIsPutOffIsDoneBeforeTheNextRead(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		var asked, read []string
		before := db.Trips()
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
			if err := tx.Queue(ctx, nil, addThing, "a", 1); err != nil {
				return err
			}
			if err := storage.Gather(ctx, tx, &asked, text, "SELECT id FROM things ORDER BY id"); err != nil {
				return err
			}
			if err := tx.Queue(ctx, nil, addThing, "b", 1); err != nil {
				return err
			}
			read, err = storage.Collect(ctx, tx, text, "SELECT id FROM things ORDER BY id")
			return errors.Join(err, tx.Queue(ctx, nil, addThing, "c", 1))
		})
		if err != nil || !slices.Equal(asked, []string{"a"}) || !slices.Equal(read, []string{"a", "b"}) || count(t, db) != 3 {
			t.Errorf("%v: asked %v, read %v, %d rows", err, asked, read, count(t, db))
		}
		if n := db.Trips() - before; db.Engine() == storage.Postgres && n != 2 {
			t.Errorf("%d round trips, want one for the read and one for the commit", n)
		}
	})
}

// A failure of what was put off is the transaction's, in the words of its check, also where nothing follows it or where
// somebody overlooks it.
func TestAFailureOfWhatWasPutOffIsTheTransactions(t *testing.T) {
	wrong := errors.New("not so many")
	none := func(changed int64, err error) error {
		if err == nil && changed > 0 {
			return wrong
		}
		return err
	}
	for name, then := range map[string]func(ctx context.Context, tx *storage.Tx) error{
		"at the commit":    func(context.Context, *storage.Tx) error { return nil },
		"at a flush":       func(ctx context.Context, tx *storage.Tx) error { return tx.Flush(ctx) },
		"though swallowed": func(ctx context.Context, tx *storage.Tx) error { _, _ = tx.Exec(ctx, addThing, "b", 1); return nil },
	} {
		t.Run(name, func(t *testing.T) {
			storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
				err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
					return goingOn(tx.Queue(ctx, none, addThing, "a", 1), func() error { return then(ctx, tx) })
				})
				if !errors.Is(err, wrong) || count(t, db) != 0 {
					t.Errorf("%v, %d rows", err, count(t, db))
				}
				err = db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
					return goingOn(tx.Queue(ctx, nil, addThing, "a", -1), func() error { return then(ctx, tx) })
				})
				if !storage.IsCheck(err) || count(t, db) != 0 {
					t.Errorf("a constraint: %v, %d rows", err, count(t, db))
				}
			})
		})
	}
}

// goingOn goes on unless it failed already, as it does where nothing is put off.
func goingOn(err error, next func() error) error {
	if err != nil {
		return err
	}
	return next()
}

// A statement that failed takes the transaction with it on PostgreSQL, even when its error was thrown away.
func TestACommitAfterAFailureIsNone(t *testing.T) {
	db := storagetest.Postgres(t, things)
	err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, first := tx.Exec(ctx, addThing, "a", 1)
		_, _ = tx.Exec(ctx, addThing, "b", -1)
		return first
	})
	if err == nil || count(t, db) != 0 {
		t.Errorf("%v, %d rows", err, count(t, db))
	}
}
