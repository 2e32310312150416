package due_test

import (
	"fmt"
	"testing"

	"coldsection.example/services/compliance/internal/due"
)

// fleet is so many limit trees as a fleet has them: first of hours and months, later of cycles and days, each with its own base.
func fleet(n int) ([]due.Tree, []due.Base) {
	trees, bases := make([]due.Tree, n), make([]due.Base, n)
	for i := range n {
		trees[i] = due.Tree{Later: i%7 == 0, Limits: []due.Limit{
			{Unit: due.Hours, Amount: int64(100+i%900) * 3600}, {Unit: due.Months, Amount: int64(1 + i%36)}, {Unit: due.Cycles, Amount: int64(50 + i%2000)},
		}}
		bases[i] = due.Base{Date: today.AddDays(-i % 700), Counters: due.Counters{Seconds: int64(i%5000) * 3600, Cycles: int64(i % 4000)}}
	}
	return trees, bases
}

// BenchmarkItems works out whole fleets; the cost of an item must not grow with their
// number. Prints items per second and the ratio of an item's cost to that in the smallest fleet, which is to be at most 1.3.
func BenchmarkItems(b *testing.B) {
	now := due.Now{Today: today, Counters: due.Counters{Seconds: 5000 * 3600, Cycles: 4000}, Rate: due.Rate{HoursPerDay: 2.5, CyclesPerDay: 2}}
	smallest := 0.0
	for _, n := range []int{1_000, 10_000, 100_000, 1_000_000} {
		trees, bases := fleet(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				for i := range trees {
					if r := trees[i].Compute(bases[i], now, due.DefaultThreshold); r.Driving < 0 {
						b.Fatal("nothing drives it")
					}
				}
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "items/s")
			cost := float64(b.Elapsed().Nanoseconds()) / float64(n) / float64(b.N)
			if n == 1_000 {
				smallest = cost
			}
			b.ReportMetric(cost, "ns/item")
			b.ReportMetric(cost/smallest, "x-1000")
		})
	}
}
