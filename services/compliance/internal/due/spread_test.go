package due_test

import (
	"math/rand/v2"
	"testing"

	"coldsection.example/services/compliance/internal/due"
)

// Flights come by chance, eight a week on average and of half an hour to three hours, as many weeks as are measured and as long after
// as it takes; the limit is then reached before the early date in about a tenth of the cases, and after the late one in a tenth. The
// simulation knows nothing of the formula.
func TestTheRangeHoldsWhatItSays(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	week := func() (seconds float64) {
		for range 8 * 7 {
			if random.Float64() < 1.0/7 {
				seconds += 1800 + 9000*random.Float64()
			}
		}
		return seconds
	}
	const runs, weeks, left = 4000, 13, 300 * 3600
	early, late := 0, 0
	for range runs {
		measured, total := due.Measured{Cycles: make([]float64, weeks)}, 0.0
		for range weeks {
			measured.Seconds = append(measured.Seconds, week())
			total += measured.Seconds[len(measured.Seconds)-1]
		}
		rate := due.MeasuredRate(due.Counters{Seconds: int64(total)}, 7*weeks)
		days := func(chance due.Chance) int {
			plan := &due.Plan{Rate: rate, Spread: measured.Spread(), Chance: chance}
			return due.Limit{Unit: due.Hours, Amount: left}.Compute(due.Base{Date: today}, due.Now{Today: today, Plan: plan}).Projected.Sub(today)
		}
		reached := 0
		for used := week(); used <= left; used += week() {
			reached += 7
		}
		if reached+7 <= days(due.Early) {
			early++
		}
		if reached >= days(due.Late) {
			late++
		}
	}
	for name, n := range map[string]int{"before the early date": early, "after the late date": late} {
		if share := float64(n) / runs; share < 0.06 || share > 0.14 {
			t.Errorf("reached %s in %.3f of the cases, want about 0.1", name, share)
		}
	}
}
