package due_test

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// band is a state of the table as a band; the table knows no threshold of nearness, so near is current too.
func band(state string) due.Band { return due.Band(strings.Replace(state, "OK", "CURRENT", 1)) }

func calendar(t *testing.T, c *casestest.Row) {
	t.Helper()
	done, today := c.Given["done"], c.Given["done"]
	if signed := c.Given["signed_at"]; signed != "" {
		at, err := time.Parse(time.RFC3339, signed)
		if err != nil {
			t.Fatal(err)
		}
		done = civil.Of(at).String()
		equal(t, "done", done, c.Want("done"))
		today = done
	}
	if c.Given["on"] != "" {
		today = c.Given["on"]
	}
	limit := due.Limit{Unit: rules[c.Given["rule"]], Amount: number(c.Given["months"] + c.Given["days"])}
	r := due.Tree{Limits: []due.Limit{limit}}.Compute(due.Base{Date: day(t, done)}, due.Now{Today: day(t, today)}, due.DefaultThreshold)
	equal(t, "due", r.Date.String(), c.Want("due"))
	if want := c.Want("days_remaining"); want != "" {
		equal(t, "days left", r.Left[0].Left, number(want))
	}
	if want := c.Want("status"); want != "" {
		equal(t, "band", r.Band, band(want))
	}
}

var policies = map[string]due.Rebase{"from_done": due.FromDone, "from_due_if_late": due.FromDueIfLate, "fixed_grid": due.FixedGrid, "": due.FromDueIfLate}

// rebase gives the original due as the previous base plus the interval.
func rebase(t *testing.T, c *casestest.Row) {
	t.Helper()
	if c.Given["rule"] != "" {
		rebaseMonths(t, c)
		return
	}
	limit := due.Limit{Unit: due.Hours, Amount: seconds(c.Given["interval"])}
	if c.Given["annual_done"] != "" {
		base := due.FromDone.Next(due.Base{}, baseAt(t, c.Given["annual_done"]), due.Tree{Limits: []due.Limit{limit}})
		equal(t, "next due", tenths(limit.Compute(base, due.Now{Today: base.Date}).At), c.Want("next_100h_due"))
		return
	}
	previous := baseAt(t, c.Given["due"])
	previous.Counters.Seconds -= limit.Amount
	done := baseAt(t, c.Given["done"])
	next := policies[c.Given["policy"]].Next(previous, done, due.Tree{Limits: []due.Limit{limit}})
	after := limit.Compute(next, due.Now{Today: done.Date, Counters: done.Counters})
	equal(t, "next due", tenths(after.At), c.Want("next_due"))
	if c.Area == "interval_100h" {
		equal(t, "hours available after", tenths(after.Left), c.Want("hours_available_after"))
		overrun(t, c, limit, previous, done)
	}
}

// overrun: the hours over are an extension that only a flight to the place of inspection has.
func overrun(t *testing.T, c *casestest.Row, limit due.Limit, previous, done due.Base) {
	t.Helper()
	now := due.Now{Today: done.Date, Counters: done.Counters}
	if c.Given["en_route"] == "true" {
		now.Extension = due.Extension{Seconds: seconds(c.Given["overrun_limit"])}
	}
	r := due.Tree{Limits: []due.Limit{limit}}.Compute(previous, now, due.Threshold{})
	equal(t, "overrun", tenths(max(0, -r.Left[0].Left)), c.Want("overrun"))
	equal(t, "overrun permitted", strconv.FormatBool(r.Band != due.Overdue), c.Want("overrun_permitted"))
}

func baseAt(t *testing.T, hours string) due.Base {
	t.Helper()
	return due.Base{Date: day(t, "2025-01-01"), Counters: due.Counters{Seconds: seconds(hours)}}
}

func rebaseMonths(t *testing.T, c *casestest.Row) {
	t.Helper()
	limit := due.Limit{Unit: rules[c.Given["rule"]], Amount: number(c.Given["months"])}
	tree := due.Tree{Limits: []due.Limit{limit}}
	at, done := day(t, c.Given["due"]), due.Base{Date: day(t, c.Given["done"])}
	previous := due.Base{Date: at.AddMonths(-int(limit.Amount))}
	extension := due.Extension{Days: int64(at.AddMonths(int(number(c.Given["tolerance_months"]))).Sub(at))}
	late := tree.Compute(previous, due.Now{Today: done.Date, Extension: extension}, due.Threshold{})
	equal(t, "within tolerance", strconv.FormatBool(late.Band == due.InTolerance), c.Want("within_tolerance"))
	next := policies[c.Given["policy"]].Next(previous, done, tree)
	equal(t, "next due", tree.Compute(next, due.Now{Today: next.Date}, due.DefaultThreshold).Date.String(), c.Want("next_due"))
}
