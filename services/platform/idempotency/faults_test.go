package idempotency_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// onLine opens a store on PostgreSQL by way of a line that can be cut.
func onLine(t *testing.T) (*storage.DB, *storagetest.Line) {
	t.Helper()
	if os.Getenv(storagetest.NoPostgresEnv) != "" {
		t.Skip("PostgreSQL is left out")
	}
	line := storagetest.NewLine(t)
	db, err := storage.Open(t.Context(), storage.Config{Engine: storage.Postgres, DSN: line.DSN}, effects)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() }) // of a connection that was cut nobody cares how it is closed
	return db, line
}

// retryable says whether a refusal lets its caller send the same again.
func retryable(err error) bool {
	f, ok := fault.As(err)
	return ok && (f.Category == fault.Unavailable || f.Category == fault.Aborted)
}

// Case E13: the connection is cut at each piece that is sent to PostgreSQL, before the server has it and after, the commit among them. Whoever
// sends the same again under the same key has one effect and its answer, whatever became of the first.
func TestACutAtAnyStatementLeavesOneEffect(t *testing.T) {
	db, line := onLine(t)
	cuts, unknown := 0, 0
	for _, passed := range []bool{false, true} {
		for at, broke := 1, true; broke; at++ {
			name := fmt.Sprintf("brush %d %v", at, passed)
			line.CutAt(at, passed)
			first, err := execute(t.Context(), db, create(name, name))
			broke = line.Broke()
			line.CutAt(0, false)
			if err != nil && !retryable(err) {
				t.Errorf("cut at %d (passed %v): %v", at, passed, err)
			}
			settled(t, db)
			done := count(t, db, "effects WHERE name = '"+name+"'")
			again, retried := execute(t.Context(), db, create(name, name))
			if retried != nil || count(t, db, "effects WHERE name = '"+name+"'") != 1 {
				t.Fatalf("cut at %d (passed %v): again %v; %d effects", at, passed, retried, count(t, db, "effects WHERE name = '"+name+"'"))
			}
			if err == nil && !proto.Equal(first, again) {
				t.Errorf("cut at %d: %v, then %v", at, first, again)
			}
			if broke {
				cuts++
			}
			if err != nil && done == 1 {
				unknown++
			}
		}
	}
	t.Logf("%d of %d cuts left a change whose answer was lost", unknown, cuts) // the server may answer before the line is cut
	if cuts < 4 {
		t.Errorf("only %d cuts", cuts)
	}
}

// settled waits until the server has done what it had of connections that are gone.
func settled(t *testing.T, db *storage.DB) {
	t.Helper()
	for deadline := clock.System().After(30 * time.Second); ; {
		if count(t, db, "pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid() AND state <> 'idle'") == 0 {
			return
		}
		select {
		case <-deadline:
			t.Fatal("the server is still at work")
		case <-clock.System().After(5 * time.Millisecond):
		}
	}
}

// Case E13: a server that was stopped at once refuses within a moment, and the first call after it is back is answered.
func TestAServerThatIsStoppedAtOnce(t *testing.T) {
	db, line := onLine(t)
	for round := range 3 {
		line.Shut(true)
		name := fmt.Sprintf("brush %d", round)
		if _, err := execute(t.Context(), db, create(name, name)); !retryable(err) {
			t.Errorf("while it is stopped: %v", err)
		}
		line.Shut(false)
		if _, err := execute(t.Context(), db, create(name, name)); err != nil {
			t.Errorf("when it is back: %v", err)
		}
		if err := db.View(t.Context(), func(context.Context, *storage.Tx) error { return nil }); err != nil {
			t.Errorf("a read when it is back: %v", err)
		}
	}
	if n := count(t, db, "effects"); n != 3 {
		t.Errorf("%d effects", n)
	}
}

// Case E13: a storm of transactions that race for the same row ends: each is done or refused so that it can be sent again, and what was done is
// exactly what was answered.
func TestAStormOfRacesLosesNothing(t *testing.T) {
	db, _ := onLine(t)
	if _, err := execute(t.Context(), db, create("", "0")); err != nil {
		t.Fatal(err)
	}
	var done atomic.Int64
	var racing sync.WaitGroup
	for range 8 {
		racing.Go(func() {
			for range 15 {
				err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
					var n int
					if err := tx.QueryRow(ctx, "SELECT CAST(name AS integer) FROM effects").Scan(&n); err != nil {
						return err
					}
					_, err := tx.Exec(ctx, "UPDATE effects SET name = $1 WHERE name = $2", fmt.Sprint(n+1), fmt.Sprint(n))
					return err
				})
				switch {
				case err == nil:
					done.Add(1)
				case !retryable(err):
					t.Error(err)
				}
			}
		})
	}
	racing.Wait()
	t.Logf("%d of 120 were done", done.Load())
	var last int64
	if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT CAST(name AS integer) FROM effects").Scan(&last)
	}); err != nil || done.Load() == 0 || last > done.Load() {
		t.Errorf("%d, %v; %d were answered as done", last, err, done.Load())
	}
}

// Case E14: where every answer of the store takes half a second, as on a disk whose fsync does, nobody waits longer than his deadline, whoever
// waits for a place has one too, and nothing is left behind.
func TestASlowStoreHoldsNobodyLongerThanHisDeadline(t *testing.T) {
	db, line := onLine(t)
	if _, err := execute(t.Context(), db, create("warm", "warm")); err != nil {
		t.Fatal(err)
	}
	before := runtime.NumGoroutine()
	line.Slow(500 * time.Millisecond)
	const callers, patience = 60, 800 * time.Millisecond
	var late, wrong atomic.Int64
	var calling sync.WaitGroup
	for i := range callers {
		calling.Go(func() {
			ctx, cancel := context.WithTimeout(t.Context(), patience)
			defer cancel()
			_, err := execute(ctx, db, create(fmt.Sprintf("k%d", i), fmt.Sprintf("b%d", i)))
			if since := clock.System().Now(); ctx.Err() != nil {
				if end, _ := ctx.Deadline(); since.Sub(end) > 5*time.Second { // the machine may be busy; without the deadline the last would wait for a minute
					late.Add(1)
				}
			}
			if err != nil && !errors.Is(err, context.DeadlineExceeded) && !retryable(err) {
				wrong.Add(1)
				t.Log(err)
			}
		})
	}
	calling.Wait()
	if late.Load() > 0 || wrong.Load() > 0 {
		t.Errorf("%d of %d came late, %d were refused wrongly", late.Load(), callers, wrong.Load())
	}
	line.Slow(0)
	for deadline := clock.System().After(30 * time.Second); runtime.NumGoroutine() > before+20; {
		select {
		case <-deadline:
			t.Fatalf("%d goroutines, %d before", runtime.NumGoroutine(), before)
		case <-clock.System().After(20 * time.Millisecond):
		}
	}
	for i := range callers { // each is once there when its caller sends it again
		if _, err := execute(t.Context(), db, create(fmt.Sprintf("k%d", i), fmt.Sprintf("b%d", i))); err != nil {
			t.Fatal(err)
		}
	}
	if n := count(t, db, "effects"); n != callers+1 {
		t.Errorf("%d effects, want %d", n, callers+1)
	}
}
