package due_test

import (
	"math/big"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// forecast checks a row of the table with the plain rate and with a plan.
func forecast(t *testing.T, c *casestest.Row) {
	t.Helper()
	if c.Has("combine") {
		forecastMany(t, c)
		return
	}
	limit, plan := due.Limit{Unit: due.Hours, Amount: seconds(c.Given["remaining"])}, planOf(t, c)
	var today civil.Date
	if c.Has("reading1") {
		today, plan.Rate = measuredRow(t, c)
	} else {
		today = day(t, c.Given["asof"])
	}
	if c.Given["unit"] == "cycles" {
		limit, plan.Rate = due.Limit{Unit: due.Cycles, Amount: number(c.Given["remaining"])}, due.Rate{CyclesPerDay: plan.Rate.HoursPerDay}
	}
	r := due.Tree{Limits: []due.Limit{limit}}.Compute(due.Base{Date: today}, due.Now{Today: today, Plan: plan}, due.Threshold{})
	if len(plan.Periods) == 0 {
		plain := limit.Compute(due.Base{Date: today}, due.Now{Today: today, Rate: plan.Rate})
		equal(t, "date at the plain rate", plain.Projected, r.Left[0].Projected)
	}
	equal(t, "date", r.Left[0].Projected.String(), strings.Replace(c.Want("date"), "none", "", 1))
	if want := c.Want("days"); want != "" {
		equal(t, "days", int64(r.Left[0].Projected.Sub(today)), number(want))
	}
	if want := c.Want("status"); want != "" {
		equal(t, "band", r.Band, band(want))
	}
	if want := c.Want("overdue_by"); want != "" {
		equal(t, "overdue by", tenths(-r.Left[0].Left), want)
	}
}

// planOf reads a rate such as "2.5 until 2025-06-20 then 4.0" and a stand-down such as "2025-06-11..2025-06-30".
func planOf(t *testing.T, c *casestest.Row) *due.Plan {
	t.Helper()
	rate := func(s string) due.Rate {
		f, _ := strconv.ParseFloat(s, 64)
		return due.Rate{HoursPerDay: f}
	}
	first, then, steps := strings.Cut(c.Given["rate_per_day"], " until ")
	plan := &due.Plan{Rate: rate(first)}
	if c.Has("hours_per_day") {
		cycles, _ := strconv.ParseFloat(c.Given["cycles_per_day"], 64)
		plan.Rate = due.Rate{HoursPerDay: rate(c.Given["hours_per_day"]).HoursPerDay, CyclesPerDay: cycles}
	}
	if steps {
		until, later, _ := strings.Cut(then, " then ")
		next := rate(later)
		plan.Periods = append(plan.Periods, due.Period{From: day(t, until).AddDays(1), Through: day(t, until).AddDays(9999), Rate: &next})
	}
	if from, through, ok := strings.Cut(c.Given["stand_down"], ".."); ok {
		plan.Periods = append(plan.Periods, due.Period{From: day(t, from), Through: day(t, through), Percent: new(big.Rat)})
	}
	return plan
}

func measuredRow(t *testing.T, c *casestest.Row) (civil.Date, due.Rate) {
	t.Helper()
	from, at, _ := strings.Cut(c.Given["reading1"], ":")
	to, later, _ := strings.Cut(c.Given["reading2"], ":")
	rate := due.MeasuredRate(due.Counters{Seconds: seconds(later) - seconds(at)}, day(t, to).Sub(day(t, from)))
	equal(t, "rate", strconv.FormatFloat(rate.HoursPerDay, 'f', 4, 64), c.Want("rate_per_day"))
	return day(t, to), rate
}

func forecastMany(t *testing.T, c *casestest.Row) {
	t.Helper()
	today := day(t, c.Given["asof"])
	tree := due.Tree{Later: c.Given["combine"] == "later", Limits: []due.Limit{{Unit: due.Hours, Amount: seconds(c.Given["hours_remaining"])}}}
	if c.Has("cycles_remaining") {
		tree.Limits = append(tree.Limits, due.Limit{Unit: due.Cycles, Amount: number(c.Given["cycles_remaining"])})
	}
	tree.Limits = append(tree.Limits, due.Limit{Unit: due.FixedDate, Fixed: day(t, c.Given["calendar_due"])})
	r := tree.Compute(due.Base{Date: today}, due.Now{Today: today, Plan: planOf(t, c)}, due.Threshold{})
	for i, key := range []string{"hours_date", "cycles_date"} {
		if want := c.Want(key); want != "" {
			equal(t, key, r.Left[i].Projected.String(), want)
		}
	}
	equal(t, "date", r.Date.String(), c.Want("date"))
	equal(t, "driver", r.Left[r.Driving].Limit.Unit.Driver(), c.Want("driver"))
}

// byDay counts a plan day by day, as a person with a calendar would.
func byDay(left int64, today civil.Date, perDay func(civil.Date) *big.Rat) civil.Date {
	used, last := new(big.Rat), today
	for day := today.AddDays(1); day.Sub(today) < 4000; day = day.AddDays(1) {
		rate := perDay(day)
		used.Add(used, rate)
		if used.Cmp(big.NewRat(left, 1)) > 0 {
			return last
		}
		if rate.Sign() > 0 {
			last = day
		}
	}
	return civil.Date{}
}

// Seasons, periods and stand-downs give the same date as counting day by day.
func TestAPlanGivesTheDateThatCountingDayByDayGives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		left, hours := rapid.Int64Range(0, 3_000_000).Draw(t, "left"), float64(rapid.IntRange(5, 90).Draw(t, "tenths"))/10
		month, percent := rapid.IntRange(1, 12).Draw(t, "month"), rapid.Int64Range(0, 200).Draw(t, "percent")
		season := due.Season{FirstMonth: month, LastMonth: rapid.IntRange(1, 12).Draw(t, "last"), Percent: big.NewRat(percent, 1)}
		from := today.AddDays(rapid.IntRange(-30, 200).Draw(t, "from"))
		period := due.Period{From: from, Through: from.AddDays(rapid.IntRange(0, 90).Draw(t, "days")), Percent: big.NewRat(rapid.SampledFrom([]int64{0, 50, 140}).Draw(t, "by"), 1)}
		plan := &due.Plan{Rate: due.Rate{HoursPerDay: hours}, Seasons: []due.Season{season}, Periods: []due.Period{period}}
		got := due.Limit{Unit: due.Hours, Amount: left}.Compute(due.Base{Date: today}, due.Now{Today: today, Plan: plan}).Projected
		want := byDay(left, today, func(d civil.Date) *big.Rat {
			rate := big.NewRat(int64(hours*10+0.5)*360, 1)
			inSeason := d.Month >= season.FirstMonth && d.Month <= season.LastMonth
			if season.FirstMonth > season.LastMonth {
				inSeason = d.Month >= season.FirstMonth || d.Month <= season.LastMonth
			}
			if inSeason {
				rate.Mul(rate, big.NewRat(percent, 100))
			}
			if !d.Before(period.From) && !period.Through.Before(d) {
				rate.Mul(rate, period.Percent).Quo(rate, big.NewRat(100, 1))
			}
			return rate
		})
		if !want.IsZero() && got != want {
			t.Fatalf("%s, day by day %s", got, want)
		}
	})
}

// Check PLN-05: more flying is never later, the range is in order, and without flying there is no date rather than a far one.
func TestMoreFlyingIsNeverLaterAndTheRangeIsInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		left, hours := rapid.Int64Range(3600, 5_000_000).Draw(t, "left"), float64(rapid.IntRange(1, 100).Draw(t, "tenths"))/10
		spread := due.Spread{Weeks: rapid.IntRange(4, 60).Draw(t, "weeks"), Hours: rapid.Float64Range(0, 200_000).Draw(t, "sd")}
		date := func(times float64, chance due.Chance) civil.Date {
			plan := &due.Plan{Rate: due.Rate{HoursPerDay: hours * times}, Spread: spread, Chance: chance}
			return due.Limit{Unit: due.Hours, Amount: left}.Compute(due.Base{Date: today}, due.Now{Today: today, Plan: plan}).Projected
		}
		early, even, late := date(1, due.Early), date(1, due.Even), date(1, due.Late)
		if even.Before(early) || !late.IsZero() && late.Before(even) {
			t.Fatalf("%s, %s, %s", early, even, late)
		}
		if twice := date(2, due.Even); even.Before(twice) {
			t.Fatalf("%s at the rate, %s at twice the rate", even, twice)
		}
		if none := date(0, due.Even); !none.IsZero() {
			t.Fatalf("%s with no flying", none)
		}
	})
}

func TestAPlanThatFliesNothingHasNoDateAndSaysSo(t *testing.T) {
	got := due.Limit{Unit: due.Hours, Amount: 3600}.Compute(due.Base{Date: today}, due.Now{Today: today, Plan: &due.Plan{}})
	if !got.Projected.IsZero() || !strings.Contains(got.Line(), "no flying rate is known, so no date") {
		t.Errorf("%v", got)
	}
}

// 73,000 days are 200 years of 365 days: a limit that is reached on the last of them has a date with a plan as without one, and one a day later has none.
func TestTheFarthestDayIsTheSameWithAPlan(t *testing.T) {
	rate := due.Rate{CyclesPerDay: 6}
	for left, want := range map[int64]string{6*73000 - 1: "2225-04-13", 6 * 73000: "2225-04-14", 6*73001 - 1: "2225-04-14", 6 * 73001: ""} {
		limit := due.Limit{Unit: due.Cycles, Amount: left}
		for _, now := range []due.Now{{Today: today, Rate: rate}, {Today: today, Plan: &due.Plan{Rate: rate}}} {
			got := limit.Compute(due.Base{Date: today}, now).Projected
			if got.IsZero() != (want == "") || !got.IsZero() && got.String() != want {
				t.Errorf("%d cycles left, with a plan %t: %s, want %s", left, now.Plan != nil, got, want)
			}
		}
	}
}

// A rate of more than six decimals is worked out in fractions, with the same farthest day: 73,000 days at 0.9999999 a day are 72,999.99 cycles.
func TestTheFarthestDayInFractions(t *testing.T) {
	for left, want := range map[int64]string{72_999: "2225-04-13", 73_000: "2225-04-14", 73_001: ""} {
		got := due.Limit{Unit: due.Cycles, Amount: left}.Compute(due.Base{Date: today}, due.Now{Today: today, Rate: due.Rate{CyclesPerDay: 0.9999999}}).Projected
		if got.IsZero() != (want == "") || !got.IsZero() && got.String() != want {
			t.Errorf("%d cycles left: %s, want %s", left, got, want)
		}
	}
}
