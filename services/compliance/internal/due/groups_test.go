package due_test

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// band is a state of the table as a band; the table knows no threshold of nearness, so near is current too.
func band(state string) due.Band { return due.Band(strings.Replace(state, "OK", "CURRENT", 1)) }

func calendar(t *testing.T, c one) {
	t.Helper()
	done, today := c.given["done"], c.given["done"]
	if signed := c.given["signed_at"]; signed != "" {
		at, err := time.Parse(time.RFC3339, signed)
		if err != nil {
			t.Fatal(err)
		}
		done = civil.Of(at).String()
		equal(t, "done", done, c.want("done"))
		today = done
	}
	if c.given["on"] != "" {
		today = c.given["on"]
	}
	limit := due.Limit{Unit: rules[c.given["rule"]], Amount: number(c.given["months"] + c.given["days"])}
	r := due.Tree{Limits: []due.Limit{limit}}.Compute(due.Base{Date: day(t, done)}, due.Now{Today: day(t, today)}, due.DefaultThreshold)
	equal(t, "due", r.Date.String(), c.want("due"))
	if want := c.want("days_remaining"); want != "" {
		equal(t, "days left", r.Left[0].Left, number(want))
	}
	if want := c.want("status"); want != "" {
		equal(t, "band", r.Band, band(want))
	}
}

var policies = map[string]due.Rebase{"from_done": due.FromDone, "from_due_if_late": due.FromDueIfLate, "fixed_grid": due.FixedGrid, "": due.FromDueIfLate}

// rebase gives the original due as the previous base plus the interval.
func rebase(t *testing.T, c one) {
	t.Helper()
	if c.given["rule"] != "" {
		rebaseMonths(t, c)
		return
	}
	limit := due.Limit{Unit: due.Hours, Amount: seconds(c.given["interval"])}
	if c.given["annual_done"] != "" {
		base := due.FromDone.Next(due.Base{}, baseAt(t, c.given["annual_done"]), due.Tree{Limits: []due.Limit{limit}})
		equal(t, "next due", tenths(limit.Compute(base, due.Now{Today: base.Date}).At), c.want("next_100h_due"))
		return
	}
	previous := baseAt(t, c.given["due"])
	previous.Counters.Seconds -= limit.Amount
	done := baseAt(t, c.given["done"])
	next := policies[c.given["policy"]].Next(previous, done, due.Tree{Limits: []due.Limit{limit}})
	after := limit.Compute(next, due.Now{Today: done.Date, Counters: done.Counters})
	equal(t, "next due", tenths(after.At), c.want("next_due"))
	if c.area == "interval_100h" {
		equal(t, "hours available after", tenths(after.Left), c.want("hours_available_after"))
		overrun(t, c, limit, previous, done)
	}
}

// overrun: the hours over are an extension that only a flight to the place of inspection has.
func overrun(t *testing.T, c one, limit due.Limit, previous, done due.Base) {
	t.Helper()
	now := due.Now{Today: done.Date, Counters: done.Counters}
	if c.given["en_route"] == "true" {
		now.Extension = due.Extension{Seconds: seconds(c.given["overrun_limit"])}
	}
	r := due.Tree{Limits: []due.Limit{limit}}.Compute(previous, now, due.Threshold{})
	equal(t, "overrun", tenths(max(0, -r.Left[0].Left)), c.want("overrun"))
	equal(t, "overrun permitted", strconv.FormatBool(r.Band != due.Overdue), c.want("overrun_permitted"))
}

func baseAt(t *testing.T, hours string) due.Base {
	t.Helper()
	return due.Base{Date: day(t, "2025-01-01"), Counters: due.Counters{Seconds: seconds(hours)}}
}

func rebaseMonths(t *testing.T, c one) {
	t.Helper()
	limit := due.Limit{Unit: rules[c.given["rule"]], Amount: number(c.given["months"])}
	tree := due.Tree{Limits: []due.Limit{limit}}
	at, done := day(t, c.given["due"]), due.Base{Date: day(t, c.given["done"])}
	previous := due.Base{Date: at.AddMonths(-int(limit.Amount))}
	extension := due.Extension{Days: int64(at.AddMonths(int(number(c.given["tolerance_months"]))).Sub(at))}
	late := tree.Compute(previous, due.Now{Today: done.Date, Extension: extension}, due.Threshold{})
	equal(t, "within tolerance", strconv.FormatBool(late.Band == due.InTolerance), c.want("within_tolerance"))
	next := policies[c.given["policy"]].Next(previous, done, tree)
	equal(t, "next due", tree.Compute(next, due.Now{Today: next.Date}, due.DefaultThreshold).Date.String(), c.want("next_due"))
}

func forecast(t *testing.T, c one) {
	t.Helper()
	today := day(t, c.given["asof"])
	if c.given["combine"] != "" {
		forecastMany(t, c, today)
		return
	}
	rate, _ := strconv.ParseFloat(c.given["rate_per_day"], 64)
	limit, now := due.Limit{Unit: due.Hours, Amount: seconds(c.given["remaining"])}, due.Now{Today: today, Rate: due.Rate{HoursPerDay: rate}}
	if c.given["unit"] == "cycles" {
		limit, now.Rate = due.Limit{Unit: due.Cycles, Amount: number(c.given["remaining"])}, due.Rate{CyclesPerDay: rate}
	}
	r := due.Tree{Limits: []due.Limit{limit}}.Compute(due.Base{Date: today}, now, due.Threshold{})
	equal(t, "date", r.Left[0].Projected.String(), strings.Replace(c.want("date"), "none", "", 1))
	if want := c.want("days"); want != "" {
		equal(t, "days", int64(r.Left[0].Projected.Sub(today)), number(want))
	}
	if want := c.want("status"); want != "" {
		equal(t, "band", r.Band, band(want))
	}
	if want := c.want("overdue_by"); want != "" {
		equal(t, "overdue by", tenths(-r.Left[0].Left), want)
	}
}

func forecastMany(t *testing.T, c one, today civil.Date) {
	t.Helper()
	hours, _ := strconv.ParseFloat(c.given["hours_per_day"], 64)
	cycles, _ := strconv.ParseFloat(c.given["cycles_per_day"], 64)
	tree := due.Tree{Later: c.given["combine"] == "later", Limits: []due.Limit{
		{Unit: due.Hours, Amount: seconds(c.given["hours_remaining"])}, {Unit: due.Cycles, Amount: number(c.given["cycles_remaining"])},
		{Unit: due.FixedDate, Fixed: day(t, c.given["calendar_due"])},
	}}
	r := tree.Compute(due.Base{Date: today}, due.Now{Today: today, Rate: due.Rate{HoursPerDay: hours, CyclesPerDay: cycles}}, due.Threshold{})
	for i, key := range []string{"hours_date", "cycles_date"} {
		if want := c.want(key); want != "" {
			equal(t, key, r.Left[i].Projected.String(), want)
		}
	}
	equal(t, "date", r.Date.String(), c.want("date"))
	equal(t, "driver", r.Left[r.Driving].Limit.Unit.Driver(), c.want("driver"))
}

// retention: the months of each rule, from the table's source column.
func retention(t *testing.T, c one) {
	t.Helper()
	months := map[string]int{"145.219": 24, "145.A.55": 36, "91.417b1": 12}[c.given["rule"]]
	last := day(t, c.given["rts"]+c.given["crs"]+c.given["done"]).KeepThrough(months)
	equal(t, "kept through", last.String(), c.want("retain_through"))
	equal(t, "purged from", last.AddDays(1).String(), c.want("purge_from"))
}
