package points_test

import (
	"fmt"
	"testing"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/points"
)

// subjects is what is kept of so many items, a hundred to a subject.
func subjects(items int) [][]byte {
	var all [][]byte
	for done := 0; done < items; done += 100 {
		p := points.Points{Rules: "200.200", Since: first}
		for i := range 100 {
			p.Items = append(p.Items, points.Point{
				Requirement: fmt.Sprintf("requirements/r%03d", i), Counted: true, Threshold: due.DefaultThreshold, Told: points.Told{Band: due.Current, Date: first.AddDays(i)},
				Tree: due.Tree{Later: i%7 == 0, Limits: []due.Limit{{Unit: due.Hours, Amount: int64(100+(done+i)%900) * 3600}, {Unit: due.Months, Amount: int64(1 + i%36)}}},
				Base: due.Base{Date: first.AddDays(-i), Counters: due.Counters{Seconds: int64(i) * 3600}},
			})
		}
		all = append(all, p.Encode())
	}
	return all
}

// BenchmarkNewDay reads and counts what is kept, and asks of each item whether its row is to be written anew. It prints items per second and the
// ratio of an item's cost to that among a thousand, which is to be at most 1.3.
func BenchmarkNewDay(b *testing.B) {
	now := due.Now{Today: civil.Date{Year: 2026, Month: 3, Day: 2}, Counters: due.Counters{Seconds: 500 * 3600}, Rate: due.Rate{HoursPerDay: 2.5, CyclesPerDay: 2}}
	smallest := 0.0
	for _, n := range []int{1_000, 10_000, 100_000, 1_000_000} {
		kept := subjects(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			stale := 0
			for b.Loop() {
				for _, body := range kept {
					p, err := points.Decode(body)
					if err != nil {
						b.Fatal(err)
					}
					for i := range p.Items {
						if p.Items[i].Stale(p.Items[i].On(now), now.Today) {
							stale++
						}
					}
				}
			}
			if stale == 0 {
				b.Fatal("no row is to be written")
			}
			cost := float64(b.Elapsed().Nanoseconds()) / float64(n) / float64(b.N)
			if n == 1_000 {
				smallest = cost
			}
			b.ReportMetric(1e9/cost, "items/s")
			b.ReportMetric(cost, "ns/item")
			b.ReportMetric(cost/smallest, "x-1000")
		})
	}
}
