package due_test

import (
	"math/big"
	"testing"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// Seasons and stand-downs over a year's end, the leap day and month ends, each counted with a wall calendar: one hour a day, so that the hours left are the
// days flown (handbook 2.6; stand-down days are not added at the end, and calendar limits keep running).
func TestSeasonsAndStandDownsOverAYearsEnd(t *testing.T) {
	winter := due.Season{FirstMonth: 12, LastMonth: 2, Percent: new(big.Rat)}
	half := due.Season{FirstMonth: 12, LastMonth: 2, Percent: big.NewRat(50, 1)}
	down := func(from, through string) due.Period {
		return due.Period{From: day(t, from), Through: day(t, through), Percent: new(big.Rat)}
	}
	for name, c := range map[string]struct {
		today string
		left  int64
		plan  due.Plan
		want  string
	}{
		"nothing in winter, of a leap year":           {"2027-11-28", 3, due.Plan{Seasons: []due.Season{winter}}, "2028-03-01"},
		"nothing in winter, of a common year":         {"2026-11-28", 3, due.Plan{Seasons: []due.Season{winter}}, "2027-03-01"},
		"the last day before the winter":              {"2026-11-28", 2, due.Plan{Seasons: []due.Season{winter}}, "2026-11-30"},
		"on the first day of the winter":              {"2026-12-01", 1, due.Plan{Seasons: []due.Season{winter}}, "2027-03-01"},
		"on the leap day":                             {"2028-02-29", 1, due.Plan{Seasons: []due.Season{winter}}, "2028-03-01"},
		"half in winter, over the leap day":           {"2028-02-25", 3, due.Plan{Seasons: []due.Season{half}}, "2028-03-01"}, // 4 half days to 29 February, 1 March
		"half in winter, of a common year":            {"2027-02-25", 3, due.Plan{Seasons: []due.Season{half}}, "2027-03-01"}, // 3 half days to 28 February, 1 March; 2 March would be 3.5 h
		"down over the year's end":                    {"2026-12-30", 2, due.Plan{Periods: []due.Period{down("2027-01-01", "2027-01-31")}}, "2027-02-01"},
		"down on the leap day alone":                  {"2028-02-28", 1, due.Plan{Periods: []due.Period{down("2028-02-29", "2028-02-29")}}, "2028-03-01"},
		"down from a month's end to another's":        {"2027-01-30", 1, due.Plan{Periods: []due.Period{down("2027-01-31", "2027-02-28")}}, "2027-03-01"},
		"down for longer than a year":                 {"2026-12-30", 2, due.Plan{Periods: []due.Period{down("2027-01-01", "2028-02-29")}}, "2028-03-01"},
		"trailing days of a stand-down are not added": {"2026-12-30", 1, due.Plan{Periods: []due.Period{down("2027-01-01", "2027-01-31")}}, "2026-12-31"},
		"a season of all months but one":              {"2026-10-30", 1, due.Plan{Seasons: []due.Season{{FirstMonth: 12, LastMonth: 10, Percent: new(big.Rat)}}}, "2026-11-01"},
		"a winter within a stand-down": {
			"2026-11-30", 1, due.Plan{Seasons: []due.Season{half}, Periods: []due.Period{down("2026-12-01", "2027-02-28")}}, "2027-03-01",
		},
	} {
		c.plan.Rate = due.Rate{HoursPerDay: 1}
		today := day(t, c.today)
		now := due.Now{Today: today, Plan: &c.plan}
		hours := due.Limit{Unit: due.Hours, Amount: c.left * 3600}.Compute(due.Base{Date: today}, now)
		days := due.Limit{Unit: due.Days, Amount: 90}.Compute(due.Base{Date: today}, now)
		if hours.Projected.String() != c.want || days.Left != 90 || days.Projected != today.AddDays(90) {
			t.Errorf("%s: %s, want %s; %d days left of 90: %s", name, hours.Projected, c.want, days.Left, hours.Line())
		}
		naive := byDay(c.left*3600, today, func(d civil.Date) *big.Rat {
			rate := big.NewRat(3600, 1)
			for _, s := range c.plan.Seasons {
				in := d.Month >= s.FirstMonth && d.Month <= s.LastMonth
				if s.FirstMonth > s.LastMonth {
					in = d.Month <= s.LastMonth || d.Month >= s.FirstMonth
				}
				if in {
					rate.Mul(rate, new(big.Rat).Quo(s.Percent, big.NewRat(100, 1)))
				}
			}
			for _, p := range c.plan.Periods {
				if d.Sub(p.From) >= 0 && d.Sub(p.Through) <= 0 {
					rate.SetInt64(0)
				}
			}
			return rate
		})
		if naive.String() != c.want {
			t.Errorf("%s: day by day %s, want %s", name, naive, c.want)
		}
	}
}
