package server_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// filled is a store with twenty lots of the cleaner and so many movements of each of them between two places.
func filled(b *testing.B, movements int) desk {
	b.Helper()
	d := open(b, storagetest.SQLite(b, store.Migrations()))
	d.catalogue()
	for i := range 20 {
		d.stocked("cleaner", fmt.Sprintf("f%d", i), "1000", days(100+i))
	}
	of(0, d.db.Update(b.Context(), func(ctx context.Context, tx *storage.Tx) error {
		if _, err := tx.Exec(ctx, `WITH RECURSIVE n (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < $1)
			INSERT INTO movements (name, version, body, kind, lot, item, work_order, effective_time, create_time)
			SELECT 'stockMovements/f' || i, 1, zeroblob(200), 'MOVED', 'lots/f' || (i % 20), 'items/cleaner', '', i, i FROM n`, movements); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `INSERT INTO postings (movement, line, lot, location, amount)
			SELECT m.name, s.line, m.lot, CASE WHEN s.line = m.effective_time / 20 % 2 + 1 THEN 'locations/shelf' ELSE 'locations/back' END, CASE s.line WHEN 1 THEN -1 ELSE 1 END
			FROM movements m JOIN (SELECT 1 AS line UNION ALL SELECT 2) s WHERE m.name LIKE 'stockMovements/f%'`)
		return err
	})).done(b)
	return d
}

// BenchmarkBalances measures balances and the choice of lots with 10,000 and with 1,000,000 movements; the ratio is wanted at
// most 1.3.
func BenchmarkBalances(b *testing.B) {
	for b.Loop() {
		small, large := filled(b, 10_000), filled(b, 1_000_000)
		var times [4][]time.Duration // balances of the small and the large store, choices of both; by turns, so that both share the load
		for round := range 400 {
			for i, d := range []desk{small, large} {
				_, balances := rate(b, 1, 1, func(int, int) error {
					return d.db.View(b.Context(), func(ctx context.Context, tx *storage.Tx) error {
						_, err := store.Balances(ctx, tx, fmt.Sprintf("lots/f%d", round%20))
						return err
					})
				})
				_, chosen := rate(b, 1, 1, func(int, int) error {
					_, err := d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: "items/cleaner", QuantityValue: "2500", QuantityUnitCode: "L"})
					return err
				})
				times[i], times[2+i] = append(times[i], balances...), append(times[2+i], chosen...)
			}
		}
		var median [4]float64
		for i := range times {
			slices.Sort(times[i])
			median[i] = times[i][len(times[i])/2].Seconds()
		}
		b.ReportMetric(median[1]/median[0], "balances1e6/1e4")
		b.ReportMetric(median[3]/median[2], "fefo1e6/1e4")
		b.ReportMetric(1e6*median[1], "balancesµs")
		b.ReportMetric(1e3*median[3], "fefoms")
	}
}

// BenchmarkTrace measures the trace and the recall of a lot that went five mixes deep into 155 lots and 10,000 uses, among
// 100,000 movements; each is wanted below one second.
func BenchmarkTrace(b *testing.B) {
	for b.Loop() {
		d := filled(b, 90_000)
		u := &app.App{DB: d.db, Clock: d.clock, IDs: ids.System(), Lister: listing.New([]byte("secret"))}
		of(0, d.db.Update(b.Context(), family)).done(b)
		begun := wall.Now()
		trace := of(u.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: "lots/f0"})).done(b)
		b.ReportMetric(since(begun).Seconds(), "trace-s")
		begun = wall.Now()
		past := d.trace("lots/f0", consumablesv1.TraceLotRequest_FORWARD, d.clock.Now())
		b.ReportMetric(since(begun).Seconds(), "trace-as-of-s")
		begun = wall.Now()
		of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: "lots/f0", Reason: "measured"})).done(b)
		b.ReportMetric(since(begun).Seconds(), "recall-s")
		if len(trace.GetNodes()) != 156 || len(past.GetNodes()) != 156 || len(trace.GetUses()) < 10_000 {
			b.Fatalf("%d and %d lots, %d uses", len(trace.GetNodes()), len(past.GetNodes()), len(trace.GetUses()))
		}
		b.ReportMetric(float64(len(trace.GetUses())), "uses")
	}
}

// family makes 31 chains of five mixes out of one lot, and uses of them.
func family(ctx context.Context, tx *storage.Tx) error {
	number := 0
	post := func(kind consumablesv1.StockMovement_Kind, lot string, amount stock.Micro, p ...stock.Posting) (string, error) {
		number++
		m := &consumablesv1.StockMovement{
			Name: fmt.Sprintf("stockMovements/t%d", number), Kind: kind, Lot: lot, Item: "items/solution", Quantity: store.Quantity(amount, "L"), WorkOrder: order,
			Engine: fmt.Sprintf("engines/e%d", number%300),
		}
		return m.GetName(), store.Post(ctx, tx, m, p, morning)
	}
	for chain := range 31 {
		origin, place := "lots/f0", shelf
		for depth := range 5 {
			mix := fmt.Sprintf("lots/m%d-%d", chain, depth)
			lot := &consumablesv1.Lot{Name: mix, Item: "items/solution", State: consumablesv1.Lot_USABLE, ShortCode: mix, Parents: []*consumablesv1.BlendPart{{Lot: origin}}}
			if err := store.Lots.Insert(ctx, tx, lot, morning); err != nil {
				return err
			}
			amount := stock.Micro(1_000_000 - 1000*depth) // what is left of the mix before, but for its uses
			name, err := post(consumablesv1.StockMovement_BLENDED, mix, amount,
				stock.Posting{Lot: origin, Location: place, Amount: -amount}, stock.Posting{Lot: origin, Location: store.Production, Amount: amount},
				stock.Posting{Lot: mix, Location: store.Production, Amount: -amount}, stock.Posting{Lot: mix, Location: order, Amount: amount})
			if err != nil {
				return err
			}
			if err := store.AddEdge(ctx, tx, stock.Edge{Target: mix, Origin: origin, Movement: name, Amount: amount}); err != nil {
				return err
			}
			for range 65 {
				if _, err := post(consumablesv1.StockMovement_CONSUMED, mix, 1, stock.Posting{Lot: mix, Location: order, Amount: -1},
					stock.Posting{Lot: mix, Location: fmt.Sprintf("engines/e%d", (number+1)%300), Amount: 1}); err != nil {
					return err
				}
			}
			origin, place = mix, order
		}
	}
	return nil
}
