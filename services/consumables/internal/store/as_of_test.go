package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Movements are recorded in any order and happened in another: what a count is compared with is the sum of those that had happened by its
// instant, that instant included, whatever was recorded when.
func TestABalanceAsOfAnInstantIsWhatHadHappenedByThen(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		addLots(t, db, 1)
		random := rand.New(rand.NewPCG(7, 11))
		places := []string{"locations/a", "locations/b", "workOrders/w"}
		type happened struct {
			at       time.Time
			postings []stock.Posting
		}
		var all []happened
		for i := range 60 {
			from, to := store.Supplier, places[random.IntN(len(places))]
			if i >= 20 {
				from = places[random.IntN(len(places))]
			}
			if from == to {
				to = store.Waste
			}
			h := happened{now.Add(time.Duration(random.IntN(20)) * time.Hour), move("lots/l0", from, to, stock.Micro(1+random.IntN(50)))}
			err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				m := &consumablesv1.StockMovement{Name: fmt.Sprintf("stockMovements/m%d", i), Lot: "lots/l0", EffectiveTime: timestamppb.New(h.at)}
				return store.Post(ctx, tx, m, h.postings, now.Add(time.Duration(100+i)*time.Hour))
			})
			if err == nil { // else it would have taken more than there is
				all = append(all, h)
			}
		}
		if len(all) < 40 {
			t.Fatalf("only %d movements were taken", len(all))
		}
		for hour := -1; hour <= 20; hour++ {
			at := now.Add(time.Duration(hour) * time.Hour)
			want := map[string]stock.Micro{}
			for _, h := range all {
				for _, p := range h.postings {
					if !h.at.After(at) {
						want[p.Location] += p.Amount
					}
				}
			}
			for _, place := range append(places, store.Supplier, store.Waste) {
				if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
					got, err := store.BalanceAt(ctx, tx, "lots/l0", place, at)
					if got != want[place] {
						t.Errorf("%s after %d hours: %s, want %s", place, hour, got.Text(), want[place].Text())
					}
					return err
				}); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}
