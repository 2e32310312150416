package server_test

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"testing"
	"time"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"

	"coldsection.example/services/compliance/internal/store"
)

// mostItems is a million due items, or as many as COLDSECTION_BENCH_ITEMS says.
func mostItems() int {
	if n, err := strconv.Atoi(os.Getenv("COLDSECTION_BENCH_ITEMS")); err == nil {
		return n
	}
	return 1_000_000
}

// BenchmarkFlat works out what is due on fleets from a thousand to a million items in the store, each time on a new day: from what is kept, and whole
// from history. It prints the computing time of an item and its ratio to that in the fleet of a thousand, which is to be at most 1.3, and reads the
// first page in each. Wanted of a page: 10 ms.
func BenchmarkFlat(b *testing.B) {
	for name, open := range map[string]func(testing.TB, storage.Migrations) *storage.DB{"sqlite": storagetest.SQLite, "postgres": storagetest.Postgres} {
		b.Run(name, func(b *testing.B) {
			smallest := map[string]float64{}
			for items := 1_000; items <= mostItems(); items *= 10 {
				b.Run(fmt.Sprint(items), func(b *testing.B) { flat(b, open(b, store.Migrations()), items, smallest) })
			}
		})
	}
}

// flat measures one fleet; what an item costs in the smallest one is kept in smallest.
func flat(b *testing.B, db *storage.DB, items int, smallest map[string]float64) {
	b.Helper()
	a, now := fleetOf(b, db, items/requirementsEach, requirementsEach)
	if err := a.RecomputeAll(b.Context()); err != nil {
		b.Fatal(err)
	}
	for _, way := range []struct {
		name string
		work func(context.Context) error
	}{{"a new day", a.Sweep}, {"from history", a.RecomputeAll}} {
		b.Run(way.name, func(b *testing.B) {
			days := max(2, 20_000/items) // small fleets for longer, that the clock of the processor tells something
			used, begun := cpu(b), b.Elapsed()
			for b.Loop() {
				for range days {
					now.Advance(24 * time.Hour)
					if err := way.work(b.Context()); err != nil {
						b.Fatal(err)
					}
				}
			}
			counted := float64(items * days * b.N)
			cost := float64((cpu(b) - used).Nanoseconds()) / counted
			if smallest[way.name] == 0 {
				smallest[way.name] = cost
			}
			b.ReportMetric(cost, "cpu-ns/item")
			b.ReportMetric(cost/smallest[way.name], "x-smallest")
			b.ReportMetric(counted/(b.Elapsed()-begun).Seconds(), "items/s")
		})
	}
	page(b, a, now)
}
