package due_test

import (
	_ "embed"
	"encoding/csv"
	"slices"
	"strconv"
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/due"
)

// Thirty cases of a calendar limit, hours and cycles of which the tightest counts. The days were worked out with python-dateutil 2.9.0
// (relativedelta for months) and Python's fractions and calendar modules.
//
//go:embed testdata/tightest.csv
var tightest string

// Case PLN-04: due is the tightest of calendar, hours and cycles, leap days and the ends of months among them, and whoever redoes the
// explanation comes to the same day. What is near by the calendar never hides what is flown sooner.
func TestDueIsTheTightest(t *testing.T) {
	rows, err := csv.NewReader(strings.NewReader(tightest)).ReadAll()
	if err != nil || len(rows) != 31 {
		t.Fatal(len(rows), err)
	}
	units := map[string]due.Unit{"months": due.Months, "eom": due.CalendarMonthsEnd, "days": due.Days}
	for i, c := range rows[1:] {
		t.Run(strconv.Itoa(i+1), func(t *testing.T) {
			hours, _ := strconv.ParseFloat(c[5], 64)
			cycles, _ := strconv.ParseFloat(c[7], 64)
			now := due.Now{Today: day(t, c[1]), Rate: due.Rate{HoursPerDay: hours, CyclesPerDay: cycles}}
			now.Counters = due.Counters{Seconds: 1000*3600 - seconds(c[4]), Cycles: 1000 - number(c[6])}
			limits := []due.Limit{{Unit: units[c[2]], Amount: number(c[3])}, {Unit: due.Hours, Amount: 1000 * 3600}, {Unit: due.Cycles, Amount: 1000}}
			for range limits {
				limits = append(limits[1:], limits[0])
				r := due.Tree{Limits: limits}.Compute(due.Base{Date: day(t, c[0])}, now, due.DefaultThreshold)
				if driver := r.Left[r.Driving].Limit.Unit.Driver(); r.Date.String() != c[8] || !slices.Contains(strings.Split(c[9], "|"), driver) {
					t.Errorf("due %s by %s, want %s by %s", r.Date, driver, c[8], c[9])
				}
				sameByHand(t, r, false)
			}
		})
	}
}
