package storage_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// crowd runs so many updates at once, and says how often their bodies ran.
func crowd(t *testing.T, db *storage.DB, n int, body func(i int) storage.Func, judge func(i int, err error)) int64 {
	t.Helper()
	var ran atomic.Int64
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			judge(i, db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				ran.Add(1)
				return body(i)(ctx, tx)
			}))
		})
	}
	wg.Wait()
	return ran.Load()
}

// Who is refused before anything was written leaves nothing to take back, so that nobody in the group runs twice: neither for a rule
// that was read, nor for a row that a constraint refused, nor for a change that met no row.
func TestARefusalBeforeTheFirstWriteCostsTheGroupNothing(t *testing.T) {
	db := storagetest.SQLite(t, things)
	if err := db.Update(t.Context(), insert("there", 1)); err != nil {
		t.Fatal(err)
	}
	const n = 200
	refused := errors.New("refused")
	ran := crowd(t, db, n, func(i int) storage.Func {
		return func(ctx context.Context, tx *storage.Tx) error {
			switch i % 4 {
			case 1:
				var amount int64
				if err := tx.QueryRow(ctx, "SELECT amount FROM things WHERE id = $1", "there").Scan(&amount); err != nil {
					return err
				}
				return refused
			case 2:
				if err := insert("there", 1)(ctx, tx); !storage.IsUnique(err) {
					return fmt.Errorf("not refused: %w", err)
				}
				return refused
			case 3:
				if changed, err := tx.Exec(ctx, "UPDATE things SET amount = 7 WHERE id = $1", "nowhere"); err != nil || changed != 0 {
					return fmt.Errorf("%d rows changed: %w", changed, err)
				}
				return refused
			default:
				return insert(fmt.Sprint(i), 1)(ctx, tx)
			}
		}
	}, func(i int, err error) {
		if want := i%4 != 0; errors.Is(err, refused) != want || !want && err != nil {
			t.Errorf("%d: %v", i, err)
		}
	})
	if ran != n || count(t, db) != 1+n/4 {
		t.Errorf("%d bodies ran for %d updates, %d rows", ran, n, count(t, db))
	}
}

// Who fails with its work half done is taken back, whatever the others of the group had done before and do after; what they call
// after their commit is called once.
func TestAFailureWithItsWorkHalfDoneIsTakenBackAlone(t *testing.T) {
	db := storagetest.SQLite(t, things)
	const n = 300
	half := errors.New("half done")
	var told atomic.Int64
	crowd(t, db, n, func(i int) storage.Func {
		return func(ctx context.Context, tx *storage.Tx) error {
			tx.AfterCommit(func() { told.Add(1) })
			if err := insert(fmt.Sprint(i), 1)(ctx, tx); err != nil {
				return err
			}
			if i%50 == 7 {
				return half
			}
			return nil
		}
	}, func(i int, err error) {
		if want := i%50 == 7; errors.Is(err, half) != want || !want && err != nil {
			t.Errorf("%d: %v", i, err)
		}
	})
	if rows := count(t, db); rows != n-n/50 || told.Load() != n-n/50 {
		t.Errorf("%d rows, %d told", rows, told.Load())
	}
}

// What the writer reads comes as it was kept, in every shape that is asked for; a shape that can't hold it is refused.
func TestTheWriterReadsWhatWasKept(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			if err := insert("a", 1)(ctx, tx); err != nil {
				return err
			}
			var id string
			var n, wrong int64
			var small int
			var yes bool
			var note []byte
			row := tx.QueryRow(ctx, "SELECT id, amount, amount + 0, amount = 1, note FROM things")
			if err := row.Scan(&id, &n, &small, &yes, &note); err != nil || id != "a" || n != 1 || small != 1 || !yes || note != nil {
				return fmt.Errorf("%q %d %d %t %v: %w", id, n, small, yes, note, err)
			}
			if err := tx.QueryRow(ctx, "SELECT id FROM things").Scan(&wrong); err == nil {
				return errors.New("a text was read as a number")
			}
			if db.Engine() == storage.Postgres {
				return nil
			}
			if err := tx.QueryRow(ctx, "SELECT note FROM things").Scan(&id); err == nil {
				return errors.New("nothing was read as a text")
			}
			return tx.QueryRow(ctx, "SELECT id, amount FROM things").Scan(&id)
		})
		if db.Engine() == storage.SQLite && err == nil {
			t.Error("two columns were read into one place")
		} else if db.Engine() == storage.Postgres && err != nil {
			t.Error(err)
		}
	})
}
