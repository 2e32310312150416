package storage_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// numbered fills things with 40 ids of which each has as many rows as its last digit says.
func numbered(t *testing.T, db *storage.DB) {
	t.Helper()
	if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for i := range 40 {
			for j := range i % 10 {
				if err := tx.QueueEach(ctx, nil, addThing, fmt.Sprintf("%d/%d", i, 9-j), int64(i)); err != nil {
					return err
				}
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

// What many ask in the same words is answered to each by its own rows in its own order: none, one or several; and it takes fewer statements
// than there are members. Who refuses what it read is alone in that, also where it waits for nothing more.
func TestWhatManyAskAlikeIsAnsweredToEach(t *testing.T) {
	refused := errors.New("refused")
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		numbered(t, db)
		before := db.Trips()
		verdicts, ran := holders(t, db, 40, func(i int) storage.Func {
			return func(ctx context.Context, tx *storage.Tx) error {
				var own, none []string
				if err := storage.Gather(ctx, tx, &own, text, "SELECT id FROM things WHERE amount = $1 AND id > $2 ORDER BY id"+tx.ForUpdate(), int64(i), "!"); err != nil {
					return err
				}
				if i == 7 {
					return tx.AskEach(ctx, func(storage.Rows) error { return refused }, "SELECT id FROM things WHERE id = $1", "nothing")
				}
				if err := storage.Gather(ctx, tx, &none, text, "SELECT id FROM things WHERE id = $1", fmt.Sprint("none of ", i)); err != nil {
					return err
				}
				if err := tx.Flush(ctx); err != nil {
					return err
				}
				if len(own) != i%10 || !slices.IsSorted(own) || len(none) != 0 {
					return fmt.Errorf("%d: %v, %v", i, own, none)
				}
				for _, id := range own {
					if id[:len(id)-2] != fmt.Sprint(i) {
						return fmt.Errorf("%d was told of %s", i, id)
					}
				}
				return nil
			}
		})
		for i, err := range verdicts {
			if i == 7 && !errors.Is(err, refused) || i != 7 && err != nil {
				t.Errorf("%d: %v", i, err)
			}
		}
		if trips := db.Trips() - before; ran != 40 || trips > 40 {
			t.Errorf("%d bodies ran; 40 bodies of two questions waited %d times", ran, trips)
		}
	})
}

// What many write alike is written with fewer statements than there are members.
func TestWhatManyWriteAlikeTakesFewStatements(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		before := db.Trips()
		verdicts, ran := holders(t, db, 40, func(i int) storage.Func {
			return func(ctx context.Context, tx *storage.Tx) error {
				return tx.QueueEach(ctx, nil, addThing+" ON CONFLICT (id) DO UPDATE SET amount = things.amount + excluded.amount", fmt.Sprint(i), int64(i))
			}
		})
		if err := errors.Join(verdicts...); err != nil || ran != 40 || count(t, db) != 40 || amountOf(t, db, "39") != 39 {
			t.Errorf("%d bodies ran, %d rows: %v", ran, count(t, db), err)
		}
		if trips := db.Trips() - before; trips > 20 {
			t.Errorf("40 bodies of a statement waited %d times", trips)
		}
	})
}

// What was noted of a thing is known to its transaction, and to no other.
func TestWhatIsNotedIsKnownInTheTransaction(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		for range 2 {
			if err := db.Update(t.Context(), func(_ context.Context, tx *storage.Tx) error {
				if tx.Noted("lot") != nil {
					return errors.New("known before it was noted")
				}
				tx.Note("lot", 1)
				if tx.Noted("lot") != 1 || tx.Noted("other") != nil {
					return fmt.Errorf("%v and %v", tx.Noted("lot"), tx.Noted("other"))
				}
				return nil
			}); err != nil {
				t.Error(err)
			}
		}
	})
}
