package server_test

import (
	"context"
	"maps"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
)

const ranLow = "coldsection.stock.item.ran_low.v1"

// swept lets six minutes go by and sweeps as a program that has just begun: it knows what the database knows.
func (d desk) swept() {
	d.t.Helper()
	d.clock.Advance(6 * time.Minute)
	a := &app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}
	of(0, a.Sweep(d.t.Context())).done(d.t)
}

// counted reads a measure.
func (d desk) counted(read func(context.Context, *storage.Tx) (map[string]int64, error)) (got map[string]int64) {
	d.t.Helper()
	of(0, d.db.View(d.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		got, err = read(ctx, tx)
		return err
	})).done(d.t)
	return got
}

// An item is told of when it comes down to its point, once, however often a program begins anew; and again after it was above.
func TestAnItemThatRanLowIsToldOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.changed(func(i *consumablesv1.Item) {
			i.ReorderPolicy = &consumablesv1.ReorderPolicy{MinQuantity: litres("10"), MaxQuantity: litres("40")}
		})).done(t)
		d.stocked("cleaner", "l1", "12", days(200))
		d.swept()
		if n := d.facts(ranLow); n != 0 {
			t.Errorf("12 of 10 L told %d times", n)
		}
		d.needs(order, "cleaner", "2") // 10 L are free: at the point
		for range 3 {
			d.swept()
		}
		fact := &consumablesv1.ItemRanLow{}
		d.published(ranLow, fact)
		if n := d.facts(ranLow); n != 1 || fact.GetItem() != "items/cleaner" || fact.GetPosition().GetValue() != "10.000" || fact.GetQuantity().GetValue() != "30.000" {
			t.Errorf("told %d times: %v", n, fact)
		}
		if got := d.counted(store.LowItems); !maps.Equal(got, map[string]int64{"items/cleaner": 1}) {
			t.Errorf("low are %v", got)
		}
		d.stocked("cleaner", "l2", "5", days(200))
		d.swept()
		if got := d.counted(store.LowItems); len(got) != 0 || d.facts(ranLow) != 1 {
			t.Errorf("after the delivery low are %v, told %d times", got, d.facts(ranLow))
		}
		d.needs("workOrders/w2", "cleaner", "6")
		d.swept()
		if n := d.facts(ranLow); n != 2 {
			t.Errorf("the second time told %d times", n)
		}
	})
}

// Between two looks at its level nothing is told; an item without a policy never is.
func TestLevelsAreLookedAtNowAndThen(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.swept()
		of(d.changed(func(i *consumablesv1.Item) {
			i.ReorderPolicy = &consumablesv1.ReorderPolicy{MinQuantity: litres("10"), MaxQuantity: litres("40")}
		})).done(t)
		d.clock.Advance(4 * time.Minute)
		of(0, (&app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}).Sweep(t.Context())).done(t)
		if n := d.facts(ranLow); n != 0 {
			t.Errorf("told %d times before it was time", n)
		}
		d.swept()
		if got := d.counted(store.LowItems); d.facts(ranLow) != 1 || len(got) != 1 {
			t.Errorf("told %d times, low are %v", d.facts(ranLow), got)
		}
	})
}

func TestMeasuresOfStock(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		a := &app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}
		for id, end := range map[string]int{"today": 0, "week": 5, "month": 20, "year": 300} {
			d.stocked("cleaner", id, "1", days(end))
		}
		d.received("cleaner", "held", "1", days(3))
		if got, want := d.counted(a.NearEnd), map[string]int64{"1": 1, "7": 2, "30": 3}; !maps.Equal(got, want) {
			t.Errorf("near their end are %v, want %v", got, want)
		}
		d.needs(order, "cleaner", "2")
		of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return a.Demand(ctx, tx, store.Job{WorkOrder: "workOrders/w2"}, days(3), []app.Line{{Item: "items/cleaner", Value: "20", Unit: "L"}})
		})).done(t)
		got := d.counted(func(ctx context.Context, tx *storage.Tx) (map[string]int64, error) {
			n, err := store.Shortages(ctx, tx)
			return map[string]int64{"": n}, err
		})
		if got[""] != 1 {
			t.Errorf("%d shortages", got[""])
		}
	})
}
