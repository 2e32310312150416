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

// holders runs n bodies at once that hold things of their own, all of which come while others are at work, and returns what came of each and
// how often bodies ran.
func holders(t *testing.T, db *storage.DB, n int, body func(i int) storage.Func) (verdicts []error, ran int64) {
	t.Helper()
	var all sync.WaitGroup
	var runs atomic.Int64
	proceed := make(chan struct{})
	for i := range 2 { // as many groups as run at once, each begun by itself, as two that come at once make one
		all.Go(func() {
			_ = db.UpdateHolding(t.Context(), []string{fmt.Sprint("busy", i)}, func(context.Context, *storage.Tx) error { <-proceed; return nil })
		})
		until(db, i+1, 0)
	}
	verdicts = make([]error, n)
	for i := range n {
		all.Go(func() {
			verdicts[i] = db.UpdateHolding(t.Context(), []string{fmt.Sprint("own", i)}, func(ctx context.Context, tx *storage.Tx) error {
				runs.Add(1)
				return body(i)(ctx, tx)
			})
		})
	}
	until(db, 2, n)
	close(proceed)
	all.Wait()
	return verdicts, runs.Load()
}

// until waits until so many groups are under way and so many bodies wait for one.
func until(db *storage.DB, groups, waiting int) {
	for {
		if g, w := db.Crowd(); g == groups && w == waiting {
			return
		}
		runtime.Gosched()
	}
}

// Many who hold different things pay for a few round trips and commits, and each reads its own rows.
func TestWhoHoldsDifferentThingsSharesACommit(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		for i := range 50 {
			if err := db.Update(t.Context(), insert(fmt.Sprint(i), int64(i))); err != nil {
				t.Fatal(err)
			}
		}
		before := db.Trips()
		var told atomic.Int64
		verdicts, ran := holders(t, db, 50, func(i int) storage.Func {
			return func(ctx context.Context, tx *storage.Tx) error {
				tx.AfterCommit(func() { told.Add(1) })
				var amount int64
				if err := tx.QueryRow(ctx, "SELECT amount FROM things WHERE id = $1"+tx.ForUpdate(), fmt.Sprint(i)).Scan(&amount); err != nil {
					return err
				}
				changed, err := tx.Exec(ctx, "UPDATE things SET amount = $1 WHERE id = $2 AND amount = $3", 2*amount, fmt.Sprint(i), int64(i))
				if err == nil && changed != 1 {
					err = fmt.Errorf("%d rows changed", changed)
				}
				return err
			}
		})
		if err := errors.Join(verdicts...); err != nil || ran != 50 || told.Load() != 50 {
			t.Errorf("%d bodies ran, %d told: %v", ran, told.Load(), err)
		}
		if trips := db.Trips() - before; db.Engine() == storage.Postgres && trips > 50 {
			t.Errorf("50 transactions of two statements waited %d times", trips)
		}
		for i, want := range map[int]int64{0: 0, 7: 14, 49: 98} {
			if got := amountOf(t, db, fmt.Sprint(i)); got != want {
				t.Errorf("%d: %d, want %d", i, got, want)
			}
		}
	})
}

func amountOf(t *testing.T, db *storage.DB, id string) (amount int64) {
	t.Helper()
	if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT amount FROM things WHERE id = $1", id).Scan(&amount)
	}); err != nil {
		t.Fatal(err)
	}
	return amount
}

// Whatever a member of a group does wrong, it alone bears it: what it did is taken back, and the others are kept.
func TestAMemberThatFailsCostsTheOthersNothing(t *testing.T) {
	refused := errors.New("refused")
	wrongs := map[string]struct {
		body   storage.Func
		wanted func(error) bool
	}{
		"refuses what it read": {func(ctx context.Context, tx *storage.Tx) error {
			if err := tx.Ask(ctx, func(storage.Rows) error { return refused }, "SELECT id FROM things"); err != nil {
				return err
			}
			return tx.Flush(ctx)
		}, func(err error) bool { return errors.Is(err, refused) }},
		"refuses after it wrote": {func(ctx context.Context, tx *storage.Tx) error {
			if err := insert("half", 1)(ctx, tx); err != nil {
				return err
			}
			return refused
		}, func(err error) bool { return errors.Is(err, refused) }},
		"adds what is there":    {insert("there", 1), storage.IsUnique},
		"overdraws":             {insert("negative", -1), storage.IsCheck},
		"overdraws and is gone": {queued("negative", -1), storage.IsCheck},
		"is no SQL": {func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, "INSERT INTO nothing")
			return err
		}, func(err error) bool { return err != nil }},
		"panics": {func(context.Context, *storage.Tx) error { panic("so what") }, func(err error) bool { return err != nil }},
		"tries and goes on": {func(ctx context.Context, tx *storage.Tx) error {
			if err := tx.Try(ctx, func(ctx context.Context) error { return insert("there", 1)(ctx, tx) }); !storage.IsUnique(err) {
				return fmt.Errorf("not refused: %w", err)
			}
			return refused
		}, func(err error) bool { return errors.Is(err, refused) }},
	}
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		if err := db.Update(t.Context(), insert("there", 1)); err != nil {
			t.Fatal(err)
		}
		rows := 1
		for name, wrong := range wrongs {
			verdicts, _ := holders(t, db, 20, func(i int) storage.Func {
				if i%10 == 3 {
					return wrong.body
				}
				return insert(fmt.Sprint(name, i), 1)
			})
			for i, err := range verdicts {
				if i%10 == 3 && !wrong.wanted(err) || i%10 != 3 && err != nil {
					t.Errorf("%s: member %d: %v", name, i, err)
				}
			}
			if rows += 18; count(t, db) != rows {
				t.Errorf("%s: %d rows, want %d", name, count(t, db), rows)
			}
		}
	})
}

// queued adds a row that nobody waits for.
func queued(id string, amount int64) storage.Func {
	return func(ctx context.Context, tx *storage.Tx) error {
		return tx.Queue(ctx, nil, "INSERT INTO things (id, amount) VALUES ($1, $2)", id, amount)
	}
}

// A refusal that rests on reading alone lets the group stand as it is: nobody runs twice.
func TestARefusalOfWhatWasReadLetsTheGroupStand(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		refused := errors.New("refused")
		verdicts, ran := holders(t, db, 40, func(i int) storage.Func {
			return func(ctx context.Context, tx *storage.Tx) error {
				var n int64
				if err := tx.QueryRow(ctx, "SELECT COUNT(*) FROM things WHERE id = $1", "nowhere").Scan(&n); err != nil {
					return err
				}
				if i%2 == 0 {
					return refused
				}
				return insert(fmt.Sprint(i), 1)(ctx, tx)
			}
		})
		for i, err := range verdicts {
			if want := i%2 == 0; errors.Is(err, refused) != want || !want && err != nil {
				t.Errorf("%d: %v", i, err)
			}
		}
		if ran != 40 || count(t, db) != 20 {
			t.Errorf("%d bodies ran, %d rows", ran, count(t, db))
		}
	})
}

// Read, added to and written back whole, by two processes at once, in groups and by themselves: no change is lost.
func TestNoChangeIsLostBetweenGroups(t *testing.T) {
	dsn := storagetest.FreshDSN(t)
	var dbs []*storage.DB
	for range 2 {
		db, err := storage.Open(t.Context(), storage.Config{Engine: storage.Postgres, DSN: dsn}, things)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = db.Close() })
		dbs = append(dbs, db)
	}
	const subjects, rounds = 5, 300
	for i := range subjects {
		if err := dbs[0].Update(t.Context(), insert(fmt.Sprint(i), 0)); err != nil {
			t.Fatal(err)
		}
	}
	var all sync.WaitGroup
	var next atomic.Int64
	for w := range 16 {
		all.Go(func() {
			for i := next.Add(1); i <= rounds; i = next.Add(1) {
				id, db := fmt.Sprint(i%subjects), dbs[w%2]
				body := func(ctx context.Context, tx *storage.Tx) error {
					var amount int64
					if err := tx.QueryRow(ctx, "SELECT amount FROM things WHERE id = $1"+tx.ForUpdate(), id).Scan(&amount); err != nil {
						return err
					}
					return tx.Queue(ctx, nil, "UPDATE things SET amount = $1 WHERE id = $2", amount+1, id)
				}
				err := db.UpdateHolding(t.Context(), []string{id}, body)
				if w%5 == 0 {
					err = errors.Join(err, db.Update(t.Context(), body))
					next.Add(1)
				}
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	var sum int64
	for i := range subjects {
		sum += amountOf(t, dbs[0], fmt.Sprint(i))
	}
	if sum < rounds {
		t.Errorf("%d changes are left of %d", sum, rounds)
	}
}

// Of those that hold one thing, never two run at once, and who goes away while waiting is never run.
func TestWhoHoldsTheSameThingWaits(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		var within, most atomic.Int64
		var all sync.WaitGroup
		begun, proceed := make(chan struct{}), make(chan struct{})
		all.Go(func() {
			_ = db.UpdateHolding(t.Context(), []string{"it"}, func(context.Context, *storage.Tx) error { close(begun); <-proceed; return nil })
		})
		<-begun
		ctx, leave := context.WithCancel(t.Context())
		leave()
		if err := db.UpdateHolding(ctx, []string{"other", "it"}, insert("gone", 1)); !errors.Is(err, context.Canceled) {
			t.Errorf("gone: %v", err)
		}
		for i := range 30 {
			all.Go(func() {
				if err := db.UpdateHolding(t.Context(), []string{fmt.Sprint(i), "it"}, func(ctx context.Context, tx *storage.Tx) error {
					most.Store(max(most.Load(), within.Add(1)))
					defer within.Add(-1)
					return insert(fmt.Sprint(i), 1)(ctx, tx)
				}); err != nil {
					t.Error(err)
				}
			})
		}
		close(proceed)
		all.Wait()
		if most.Load() != 1 || count(t, db) != 30 {
			t.Errorf("%d at once, %d rows", most.Load(), count(t, db))
		}
	})
}

// What many ask in the same words is done at once, each with its own values, and what one of them finds is its own: rows of each kind
// of value, several rows of one, a row that is there, and one that another has changed.
func TestWhatManyAskAlikeIsEachsOwn(t *testing.T) {
	kinds := schema("CREATE TABLE things (id TEXT PRIMARY KEY, amount BIGINT NOT NULL CHECK (amount >= 0), note TEXT NOT NULL);")
	const add = "INSERT INTO things (id, amount, note)\n\tVALUES ($1, $2, $3)"
	gone := errors.New("gone")
	changedOne := func(n int64, err error) error {
		if err == nil && n != 1 {
			return gone
		}
		return err
	}
	storagetest.Engines(t, kinds, func(t *testing.T, db *storage.DB) {
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			for i := range 40 {
				if err := tx.QueueEach(ctx, nil, add, fmt.Sprint(i), int64(i), "as it was"); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		verdicts, _ := holders(t, db, 40, func(i int) storage.Func {
			return func(ctx context.Context, tx *storage.Tx) error {
				was := int64(i)
				if i%13 == 5 {
					was = -1 // another version than there is
				}
				return errors.Join(
					tx.QueueEach(ctx, changedOne, "UPDATE things SET amount = amount + $1, note = $2 WHERE id = $3 AND amount = $4", int64(100), fmt.Sprint("n", i), fmt.Sprint(i), was),
					tx.QueueEach(ctx, changedOne, add+" ON CONFLICT (id) DO NOTHING", fmt.Sprint("new", i), int64(i), "new"),
					tx.QueueEach(ctx, nil, add+", ($4, $5, $6)", fmt.Sprint("a", i), int64(i), "", fmt.Sprint("b", i), int64(i), "’ $1 )"),
				)
			}
		})
		for i, err := range verdicts {
			bad := i%13 == 5
			if errors.Is(err, gone) != bad || !bad && err != nil {
				t.Errorf("%d: %v", i, err)
			}
			want := map[string]int64{fmt.Sprint(i): int64(i) + 100, fmt.Sprint("new", i): int64(i), fmt.Sprint("b", i): int64(i)}
			if bad {
				want = map[string]int64{fmt.Sprint(i): int64(i)}
			}
			for id, amount := range want {
				if got := amountOf(t, db, id); got != amount {
					t.Errorf("%s has %d, want %d", id, got, amount)
				}
			}
		}
		if n := count(t, db); n != 40+3*(40-3) {
			t.Errorf("%d rows", n)
		}
	})
}
