package storage_test

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// crowd runs so many updates at once, and says how often their bodies ran; come counts who is about to begin.
func crowd(t *testing.T, db *storage.DB, n int, come *atomic.Int64, body func(i int) storage.Func, judge func(i int, err error)) int64 {
	t.Helper()
	var ran atomic.Int64
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			come.Add(1)
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
	ran := crowd(t, db, n, new(atomic.Int64), func(i int) storage.Func {
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
	crowd(t, db, n, new(atomic.Int64), func(i int) storage.Func {
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

// gathered runs so many updates, of which each tenth returns an error after it wrote, so that they come while another is at work and
// are one group, or few; and says how often their bodies ran.
func gathered(t *testing.T, db *storage.DB, n int, name string, last error) int64 {
	t.Helper()
	var first sync.WaitGroup
	begun, proceed := make(chan struct{}), make(chan struct{})
	first.Go(func() {
		_ = db.Update(t.Context(), func(context.Context, *storage.Tx) error { close(begun); <-proceed; return nil })
	})
	<-begun
	var waiting atomic.Int64
	go func() {
		for waiting.Load() < int64(n) {
			runtime.Gosched()
		}
		close(proceed)
	}()
	defer first.Wait()
	return crowd(t, db, n, &waiting, func(i int) storage.Func {
		return func(ctx context.Context, tx *storage.Tx) error {
			if err := insert(fmt.Sprint(name, i), 1)(ctx, tx); err != nil || i%10 != 9 {
				return err
			}
			return last
		}
	}, func(i int, err error) {
		if want := i%10 == 9; errors.Is(err, last) != want || !want && err != nil {
			t.Errorf("%d: %v", i, err)
		}
	})
}

// Who only wants to know what would come of it leaves nothing behind, and the groups after that go on as before: one that fails is
// noticed by the others running twice, which they would not if each were kept apart.
func TestWhatIsTakenBackAsItWantsMakesNobodyWary(t *testing.T) {
	db := storagetest.SQLite(t, things)
	const n = 100
	gathered(t, db, n, "asks", storage.ErrTakeBack)
	if ran := gathered(t, db, n, "fails", errors.New("half done")); ran == n {
		t.Error("the members of the next group were kept apart")
	}
	if ran := gathered(t, db, n, "then", errors.New("half done")); ran != n {
		t.Errorf("%d bodies ran for %d, although a group had failed before", ran, n)
	}
	if rows := count(t, db); rows != 3*n*9/10 {
		t.Errorf("%d rows", rows)
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
