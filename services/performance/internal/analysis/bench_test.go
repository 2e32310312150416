package analysis_test

import (
	"testing"
	"time"

	"coldsection.example/services/performance/internal/analysis"
)

// long is an engine of many readings, four a day, washed every 400.
func long(readings int) ([]analysis.Reading, []analysis.Event) {
	all := live(1, readings, 0.5, leak, none)
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
	readings, events := long(5000)
	b.ReportAllocs()
	for b.Loop() {
		analysis.Analyse(m, readings, events, analysis.Rules{})
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/5000, "ns/reading")
}

// BenchmarkOneMoreReading takes a reading in with 100 and with 10,000 behind it and reports the ratio of their costs.
func BenchmarkOneMoreReading(b *testing.B) {
	m := model(b)
	all, _ := long(10_000 + 200)
	per := func(behind int) float64 {
		t := analysis.NewTracker(analysis.Rules{})
		for i := range behind {
			t.Reading(m, &all[i])
		}
		begin := b.Elapsed()
		rounds := 0
		for range b.N {
			next := *t
			for i := range 100 {
				next.Reading(m, &all[behind+i])
			}
			rounds += 100
		}
		return float64((b.Elapsed() - begin).Nanoseconds()) / float64(rounds)
	}
	few, many := per(100), per(10_000)
	b.ReportMetric(few, "ns/reading-after-100")
	b.ReportMetric(many, "ns/reading-after-10000")
	b.ReportMetric(many/few, "ratio")
}
