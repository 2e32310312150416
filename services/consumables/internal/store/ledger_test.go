package store_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var now = time.Date(2026, 9, 7, 6, 0, 0, 0, time.UTC)

func addLots(t *testing.T, db *storage.DB, n int) {
	t.Helper()
	for i := range n {
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return store.Lots.Insert(ctx, tx, &consumablesv1.Lot{Name: fmt.Sprintf("lots/l%d", i), Item: "items/i", ShortCode: stock.ShortCode(int64(i))}, now)
		}); err != nil {
			t.Fatal(err)
		}
	}
}

func post(ctx context.Context, db *storage.DB, id string, p ...stock.Posting) error {
	return db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		return store.Post(ctx, tx, &consumablesv1.StockMovement{Name: "stockMovements/" + id, Lot: p[0].Lot}, p, now)
	})
}

func move(lot, source, target string, n stock.Micro) []stock.Posting {
	return []stock.Posting{{Lot: lot, Location: source, Amount: -n}, {Lot: lot, Location: target, Amount: n}}
}

// check recomputes every balance from the postings: equal, none lacking, zero in sum, and never negative in a real place.
func check(t *testing.T, db *storage.DB) {
	t.Helper()
	if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		var wrong, sum, negative int64
		if err := tx.QueryRow(ctx, `SELECT COUNT(*) FROM balances b FULL JOIN
			(SELECT lot, location, SUM(amount) AS total FROM postings GROUP BY lot, location) p ON p.lot = b.lot AND p.location = b.location
			WHERE COALESCE(b.amount, 0) <> COALESCE(p.total, 0)`).Scan(&wrong); err != nil {
			return err
		}
		if err := tx.QueryRow(ctx, "SELECT COALESCE(SUM(amount), 0) FROM postings").Scan(&sum); err != nil {
			return err
		}
		if err := tx.QueryRow(ctx, `SELECT COUNT(*) FROM balances WHERE amount < 0
			AND location NOT IN ('locations/supplier', 'locations/production', 'locations/count-difference')`).Scan(&negative); err != nil {
			return err
		}
		if wrong != 0 || sum != 0 || negative != 0 {
			t.Errorf("%d balances wrong, sum %d, %d negative", wrong, sum, negative)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

// 64 clerks want 30 of the last 1,000 at once: exactly 33 get it.
func TestRaceForTheLastLitre(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		addLots(t, db, 1)
		if err := post(t.Context(), db, "in", move("lots/l0", store.Supplier, "locations/a", 1000)...); err != nil {
			t.Fatal(err)
		}
		var wg sync.WaitGroup
		var mu sync.Mutex
		won := 0
		for i := range 64 {
			wg.Go(func() {
				err := post(t.Context(), db, fmt.Sprint(i), move("lots/l0", "locations/a", fmt.Sprintf("workOrders/w%d", i), 30)...)
				mu.Lock()
				defer mu.Unlock()
				if err == nil {
					won++
				} else if !fault.HasReason(err, "INSUFFICIENT_STOCK") {
					t.Errorf("refused with %v", err)
				}
			})
		}
		wg.Wait()
		if won != 33 {
			t.Errorf("%d issues succeeded, want 33", won)
		}
		check(t, db)
	})
}

func TestUnbalancedPostingsAreRefused(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		addLots(t, db, 1)
		if err := post(t.Context(), db, "x", stock.Posting{Lot: "lots/l0", Location: "locations/a", Amount: 5}); err == nil {
			t.Error("stock came from nowhere")
		}
		check(t, db)
	})
}
