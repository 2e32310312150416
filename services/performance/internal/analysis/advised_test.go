package analysis_test

import (
	"testing"

	"coldsection.example/services/performance/internal/analysis"
)

// cycles is dirt [units of its signature] that comes at a steady pace and of which each wash takes a share off.
func cycles(pace, share float64, days int) func(day int) float64 {
	var level []float64
	dirt := 0.0
	for day := range days {
		if day > 0 && day%100 == 0 {
			dirt *= 1 - share
		}
		dirt += pace
		level = append(level, dirt)
	}
	return func(day int) float64 { return level[day] }
}

func advisedOf(t *testing.T, engines, days int, dirt func(day int) float64) (advised, advices int) {
	t.Helper()
	m := model(t)
	for seed := range uint64(engines) {
		n := len(analysis.Analyse(m, live(700+seed, days, 0, fouling, dirt), washes(days), analysis.Rules{}).Advices)
		advices += n
		if n > 0 {
			advised++
		}
	}
	return advised, advices
}

// An engine that gathers two thirds of usual dirt is dirtier by 11 °C when washes took 15 % of it three times. It was well before
// and is: with the cumulative sum alone 31 of these 40 were advised. One that gathers dirt three times as fast is advised.
func TestDirtOfAnEngineThatIsWellIsNoTrend(t *testing.T) {
	const engines, days = 40, 390
	if advised, _ := advisedOf(t, engines, days, cycles(0.0035, 0.15, days)); advised > 1 {
		t.Errorf("%d of %d engines that are well are advised", advised, engines)
	}
	if advised, _ := advisedOf(t, engines, days, cycles(0.0105, 0.15, days)); advised < engines*9/10 {
		t.Errorf("%d of %d engines that get dirty three times as fast are advised", advised, engines)
	}
}

// Engines whose every cycle ends at just what is worth a wash, 6.6 °C after 100 days, are advised no more often than once in the
// stated 2,700 days.
func TestALineKeepsTheStatedRate(t *testing.T) {
	const engines, days = 60, 500
	_, advices := advisedOf(t, engines, days, cycles(6.64/10.4/100, 1, days))
	if most := engines * days / 2700; advices > most {
		t.Errorf("%d advices on %d engines, at most %d", advices, engines, most)
	}
	t.Logf("%d advices in %d days", advices, engines*days)
}
