package analysis_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
)

// long is an engine of many readings, four a day, washed every 400.
func long(seed uint64, readings int) ([]analysis.Reading, []analysis.Event) {
	all := live(seed, readings, 0.5, leak, none)
	for i := range all {
		all[i].At = start.Add(time.Duration(i) * 6 * time.Hour)
	}
	var events []analysis.Event
	for day := 100; day < readings/4; day += 100 {
		events = append(events, wash(day)...)
	}
	return all, events
}

// BenchmarkAnalyse is a whole engine of 5,000 readings.
func BenchmarkAnalyse(b *testing.B) {
	m := model(b)
	readings, events := long(1, 5000)
	b.ReportAllocs()
	for b.Loop() {
		analysis.Analyse(m, readings, events, analysis.Rules{})
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/5000, "ns/reading")
}

// BenchmarkOneMoreReading takes readings in with 100 and with 10,000 behind them and reports the ratio of their costs, which is to
// be near 1: the longest contrasts reach 170 readings back, and nothing reaches further than 256. The cost of an engine is that
// of its quickest round, so that others on the machine don't count, and that of readings the median of engines, so that a change
// which is found and told at one place doesn't, either:
//
//	go test ./services/performance/internal/analysis -run '^$' -bench OneMoreReading -benchtime 20x
func BenchmarkOneMoreReading(b *testing.B) {
	const engines, more = 15, 100
	m := model(b)
	behind := [2]int{100, 10_000}
	var costs [2][]float64
	for seed := range uint64(engines) {
		all, _ := long(seed, behind[1]+more)
		for i, n := range behind {
			costs[i] = append(costs[i], quickest(b, m, all[:n], all[n:n+more]))
		}
	}
	for i := range costs {
		slices.Sort(costs[i])
	}
	few, many := costs[0][engines/2], costs[1][engines/2]
	b.ReportMetric(few, "ns/reading-after-100")
	b.ReportMetric(many, "ns/reading-after-10000")
	b.ReportMetric(many/few, "ratio")
}

// quickest is the least time [ns] that one more reading took.
func quickest(b *testing.B, m *baseline.Model, behind, more []analysis.Reading) float64 {
	b.Helper()
	t := analysis.NewTracker(analysis.Rules{})
	t.Take(m, behind)
	frozen, err := t.Freeze()
	if err != nil {
		b.Fatal(err)
	}
	best := math.Inf(1)
	for range max(5, b.N) {
		if t, err = analysis.Thaw(frozen); err != nil {
			b.Fatal(err)
		}
		begin := b.Elapsed()
		for i := range more {
			t.Reading(m, &more[i])
		}
		best = math.Min(best, float64((b.Elapsed()-begin).Nanoseconds())/float64(len(more)))
	}
	return best
}
