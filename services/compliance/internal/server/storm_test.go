package server_test

import (
	"context"
	"testing"
	"time"

	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Of ten thousand due items a thousand are near or past at once, and each is told of once; two restarts, which look at everything anew and work it out from
// history, tell nothing more, and a month later only what changed is told of.
func TestTenThousandItemsAndTwoRestartsMakeNoStorm(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		t.Helper()
		a, now := fleetOf(t, db, 10_000/requirementsEach, requirementsEach)
		count := func(query string) (n int64) {
			t.Helper()
			if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return tx.QueryRow(ctx, query).Scan(&n) }); err != nil {
				t.Fatal(err)
			}
			return n
		}
		facts := func(kind string) int64 {
			return count("SELECT COUNT(*) FROM outbox WHERE type = 'coldsection.compliance.due." + kind + ".v1'")
		}
		check := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		check(a.RecomputeAll(t.Context()))
		approached, passed := facts("approached"), facts("passed")
		near, past := count("SELECT COUNT(*) FROM due_items WHERE band IN ('NEAR', 'DUE')"), count("SELECT COUNT(*) FROM due_items WHERE band = 'OVERDUE'")
		if items := count("SELECT COUNT(*) FROM due_items"); items != 10_000 || approached != near || passed != past || near < 100 || past < 500 {
			t.Fatalf("%d items, %d of %d near and %d of %d past are told of", items, approached, near, passed, past)
		}
		restart := func() {
			t.Helper()
			for range 2 {
				again := &app.App{DB: db, Clock: now, IDs: a.IDs, Lister: a.Lister, Keys: a.Keys}
				check(again.Sweep(t.Context()))
			}
			check(a.RecomputeAll(t.Context()))
		}
		restart()
		if got := facts("approached") + facts("passed"); got != approached+passed {
			t.Errorf("two restarts told %d times, before were %d", got, approached+passed)
		}
		now.Advance(30 * 24 * time.Hour)
		check(a.Sweep(t.Context()))
		if past2 := count("SELECT COUNT(*) FROM due_items WHERE band = 'OVERDUE'"); facts("passed") != past2 || past2 <= past {
			t.Errorf("%d are past after a month and %d are told of", past2, facts("passed"))
		}
		told := facts("approached") + facts("passed")
		restart()
		if got := facts("approached") + facts("passed"); got != told {
			t.Errorf("two more restarts told %d times, before were %d", got, told)
		}
	})
}
