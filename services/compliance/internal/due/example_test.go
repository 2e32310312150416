package due_test

import (
	"fmt"
	"strings"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// A wash each 200 hours or six months, whichever is first. The line of arithmetic can be redone by hand.
func ExampleTree_Compute() {
	tree := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: 200 * 3600}, {Unit: due.Months, Amount: 6}}}
	done := due.Base{Date: civil.Date{Year: 2026, Month: 1, Day: 10}, Counters: due.Counters{Seconds: 1000 * 3600}}
	now := due.Now{
		Today: civil.Date{Year: 2026, Month: 3, Day: 1}, Counters: due.Counters{Seconds: 1150 * 3600},
		Rate: due.Rate{HoursPerDay: 2.5},
	}
	result := tree.Compute(done, now, due.DefaultThreshold)
	fmt.Println(result.Band, result.Date)
	fmt.Println(strings.NewReplacer("; ", "\n", ". ", "\n").Replace(result.Explain()))
	// Output:
	// CURRENT 2026-03-21
	// (1) hours: from 1000:00 h + 200:00 h = 1200:00 h, now 1150:00 h, left 50:00 h, at 2.5 h a day 20 whole days after 2026-03-01 = 2026-03-21
	// (2) calendar: 2026-01-10 + 6 months = 2026-07-10, 131 days from 2026-03-01
	// What counts is the first of 1 and 2
	// Driven by hours: due 2026-03-21.
}
